//! A connection's troubles, each with its time, until it is resolved.

use super::*;
use crate::harness::on_each;
use ledger::online::{
    ClaimPull, DeferOrder, NoteContact, NoteUnsigned, PullOf, PullState, QuietConnection, SettlePull,
    TroubleOf,
};

async fn troubles(shop: &Shop) -> String {
    let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
    let now = shop.ledger.now().millis();
    let words = |t: &ledger::online::ConnectionTrouble| {
        format!("{} {} {}", t.of.code(), t.words, now - t.at.millis())
    };
    status.troubles.iter().map(words).collect::<Vec<_>>().join("; ")
}

async fn fetch(shop: &Shop, connection: ConnectionId, what: PullOf, words: Option<&str>) {
    let holder = holder(&shop.ledger);
    assert!(shop.ok(ClaimPull { connection, what, holder, early: true }).await.is_some());
    let (next, words) = (shop.ledger.now(), words.map(str::to_owned));
    let (state, reread_begun) = (PullState::default(), None);
    assert!(shop.ok(SettlePull { connection, what, holder, state, next, words, reread_begun }).await);
}

#[test]
fn each_trouble_has_its_time_and_is_forgotten_once_it_is_cured() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        assert_eq!(troubles(&shop).await, "");
        fetch(&shop, village, PullOf::Orders, Some("500 of orders")).await;
        shop.clock.advance_millis(1000);
        let held = holder(&shop.ledger);
        let claimed = shop.ok(claim(village, held)).await;
        let settled = claimed.iter().map(|c| (c.item, 1, later(&shop, 0))).collect();
        shop.ok(settle(village, held, settled)).await;
        shop.clock.advance_millis(1000);
        fetch(&shop, village, PullOf::Listings, Some("500 of listings")).await;
        let quiet = QuietConnection {
            connection: village,
            until: shop.ledger.now(),
            asked: false,
            words: "401".to_owned(),
            of: TroubleOf::Connection,
        };
        shop.ok(quiet).await;
        let all =
            "connection 401 0; listings 500 of listings 0; messages 500 1000; orders 500 of orders 2000";
        assert_eq!(troubles(&shop).await, all);
        // A success resolves its own kind and those of the whole connection.
        shop.ok(NoteContact { connection: village, of: TroubleOf::Orders }).await;
        assert_eq!(troubles(&shop).await, "listings 500 of listings 0; messages 500 1000");
        // Messages are well once none of them waits for another try.
        let held = holder(&shop.ledger);
        let claimed = shop.ok(ClaimMessages { limit: 1, ..claim(village, held) }).await;
        shop.ok(settle(village, held, vec![(claimed[0].item, 1, told(ListingState::Listed))])).await;
        assert_eq!(troubles(&shop).await, "listings 500 of listings 0; messages 500 1000");
        tell_all(&shop, village).await;
        assert_eq!(troubles(&shop).await, "listings 500 of listings 0");
    });
}

#[test]
fn hooks_that_are_not_believed_are_counted() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let unsigned =
            |count| NoteUnsigned { connection: village, count, words: "no signature is right".to_owned() };
        shop.ok(unsigned(3)).await;
        shop.ok(unsigned(1)).await;
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!(
            (status.unsigned_hooks, troubles(&shop).await.as_str()),
            (4, "hooks no signature is right 0")
        );
        shop.ok(NoteContact { connection: village, of: TroubleOf::Hooks }).await;
        assert_eq!(troubles(&shop).await, "");
        assert_eq!(shop.ledger.connection_statuses().await.unwrap().remove(0).unsigned_hooks, 4);
    });
}

#[test]
fn an_order_is_listed_once_however_often_it_came() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let keep = |number: &str, raw: &str, field: &str| DeferOrder {
            connection: village,
            number: number.to_owned(),
            raw: raw.to_owned(),
            words: format!("not read: {raw}"),
            field: field.to_owned(),
            until: shop.ledger.now(),
        };
        for (number, raw, field) in
            [("7", "a", "sku"), ("8", "b", ""), ("7", "c", "price"), ("?", "d", ""), ("?", "e", "")]
        {
            assert!(shop.ok(keep(number, raw, field)).await);
        }
        let listed = shop.ledger.deferred_orders(village, 9).await.unwrap();
        let words: Vec<String> =
            listed.iter().map(|o| format!("{} {} {}", o.number, o.field, o.words)).collect();
        assert_eq!(words, ["8  not read: b", "7 price not read: c", "?  not read: d", "?  not read: e"]);
        // Each of its states is stored nevertheless.
        assert_eq!(shop.number("SELECT COUNT(*) FROM deferred_order").await, 5);
    });
}
