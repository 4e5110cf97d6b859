//! What comes in: fetches, webhooks, orders that could not be taken in, differences.

use super::*;
use crate::audit;
use crate::expected::*;
use crate::harness::{DAY_MS, HOUR_MS, on_each};
use domain::ids::{DeferredOrderId, DifferenceId};
use ledger::online::{
    ClaimDeferredOrders, ClaimPull, DeferOrder, DeferredBecause, DifferenceChoice, DropDeferredOrder,
    KeepDifferences, ListingDifference, PullOf, PullState, SeeHook, SettleDeferredOrder, SettleDifference,
    SettlePull,
};

fn pull(connection: ConnectionId, what: PullOf, holder: i64, early: bool) -> ClaimPull {
    ClaimPull { connection, what, holder, early }
}

#[test]
fn a_fetch_goes_on_where_the_last_one_ended() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let due = shop.ledger.fetched_due(village).await.unwrap();
        assert_eq!(due.orders.map(domain::day::Moment::millis), Some(0), "never fetched is due");
        let first = holder(&shop.ledger);
        let orders = |holder, early| pull(village, PullOf::Orders, holder, early);
        assert_eq!(shop.ok(orders(first, false)).await, Some(PullState::default()));
        assert_eq!(shop.ok(orders(holder(&shop.ledger), true)).await, None, "somebody fetches");
        let listings = pull(village, PullOf::Listings, holder(&shop.ledger), false);
        assert_eq!(shop.ok(listings).await, Some(PullState::default()), "the other is another");
        let state = PullState {
            cursor: "page 2".to_owned(),
            since: Some(shop.ledger.now()),
            etag: "W/\"7\"".to_owned(),
            fails: 1,
            reread: None,
        };
        let next = shop.ledger.now().plus_millis(HOUR_MS);
        let settle = |holder, words| SettlePull {
            connection: village,
            what: PullOf::Orders,
            holder,
            state: state.clone(),
            next,
            words,
            reread_begun: None,
        };
        assert!(!shop.ok(settle(first + 1, None)).await, "not the holder");
        assert!(shop.ok(settle(first, Some("the page is cut off".to_owned()))).await);
        assert!(!shop.ok(settle(first, None)).await, "said once");
        assert_eq!(shop.ok(orders(holder(&shop.ledger), false)).await, None, "not due");
        assert_eq!(shop.ledger.fetched_due(village).await.unwrap().orders, Some(next));
        let early = holder(&shop.ledger);
        assert_eq!(shop.ok(orders(early, true)).await, Some(state.clone()));
        shop.clock.advance_millis(LEASE_OVER_MS);
        assert_eq!(shop.ok(orders(holder(&shop.ledger), true)).await, Some(state.clone()), "dead");
        assert!(!shop.ok(settle(early, None)).await);
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!(status.last_trouble, "the page is cut off");
    });
}

/// A mark that cannot be stored counts as none: the list is read from the start.
#[test]
fn another_shops_marks_are_kept_only_if_they_can_be_given_back() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        for (cursor, kept) in [("x".repeat(4001), ""), ("a\0b".to_owned(), ""), ("né/1".to_owned(), "né/1")]
        {
            let held = holder(&shop.ledger);
            shop.ok(pull(village, PullOf::Orders, held, true)).await.unwrap();
            let state = PullState { cursor, ..PullState::default() };
            let (what, next) = (PullOf::Orders, shop.ledger.now());
            shop.ok(SettlePull {
                connection: village,
                what,
                holder: held,
                state,
                next,
                words: None,
                reread_begun: None,
            })
            .await;
            let held = holder(&shop.ledger);
            let read = shop.ok(pull(village, PullOf::Orders, held, true)).await.unwrap();
            assert_eq!(read.cursor, kept);
            let next = shop.ledger.now();
            let state = PullState::default();
            shop.ok(SettlePull {
                connection: village,
                what,
                holder: held,
                state,
                next,
                words: None,
                reread_begun: None,
            })
            .await;
        }
    });
}

#[test]
fn a_hook_is_seen_once_and_forgotten_after_a_week() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let see = |message: &str| SeeHook { connection: village, message: message.to_owned() };
        assert!(!shop.ledger.hook_seen(village, "msg_1").await.unwrap());
        assert!(shop.ok(see("msg_1")).await);
        assert!(!shop.ok(see("msg_1")).await);
        assert!(shop.ledger.hook_seen(village, "msg_1").await.unwrap());
        assert!(shop.ok(see("msg\0_2")).await, "whatever it is called");
        let other = shop.ok(save("other", NewPieces::Wait)).await;
        assert!(shop.ok(SeeHook { connection: other, message: "msg_1".to_owned() }).await);
        shop.clock.advance_millis(7 * DAY_MS);
        assert!(!shop.ok(see("msg_1")).await);
        shop.clock.advance_millis(1);
        assert!(!shop.ledger.hook_seen(village, "msg_1").await.unwrap());
        assert!(shop.ok(see("msg_1")).await);
        assert_eq!(shop.number("SELECT COUNT(*) FROM hook_seen").await, 1);
    });
}

fn keep(connection: ConnectionId, number: &str, raw: &str) -> DeferOrder {
    DeferOrder {
        connection,
        number: number.to_owned(),
        raw: raw.to_owned(),
        words: "no item has the code p1".to_owned(),
        field: "sku".to_owned(),
        until: crate::harness::START.plus_millis(MINUTE_MS),
    }
}

#[test]
fn an_order_that_cannot_be_taken_is_kept_and_tried_again() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        assert!(shop.ok(keep(village, "640", "{\"a\":1}")).await);
        assert!(!shop.ok(keep(village, "640", "{\"a\":1}")).await, "the same again");
        assert!(shop.ok(keep(village, "640", "{\"a\":2}")).await, "a later state of it");
        let claim = |holder| ClaimDeferredOrders { connection: village, holder, limit: 10 };
        let held = holder(&shop.ledger);
        assert_eq!(shop.ok(claim(held)).await, [], "not due");
        shop.clock.advance_millis(MINUTE_MS);
        let claimed = shop.ok(claim(held)).await;
        let shown: Vec<_> = claimed.iter().map(|k| (k.number.as_str(), k.raw.as_str(), k.tries)).collect();
        assert_eq!(shown, [("640", "{\"a\":1}", 1), ("640", "{\"a\":2}", 1)]);
        assert_eq!(shop.ok(claim(holder(&shop.ledger))).await, [], "in hand");
        let settle = |at: usize, holder, became| SettleDeferredOrder { id: claimed[at].id, holder, became };
        let until = shop.ledger.now().plus_millis(HOUR_MS);
        let later = || DeferredBecause::Later { until, words: "still not here".to_owned() };
        assert!(!shop.ok(settle(0, held + 1, DeferredBecause::Taken)).await, "not the holder");
        assert!(shop.ok(settle(0, held, DeferredBecause::Taken)).await);
        assert!(shop.ok(settle(1, held, later())).await);
        assert!(!shop.ok(settle(1, held, DeferredBecause::Taken)).await, "said once");
        let left = shop.ledger.deferred_orders(village, 9).await.unwrap();
        let shown: Vec<_> = left.iter().map(|k| (k.raw.as_str(), k.words.as_str(), k.due)).collect();
        assert_eq!(shown, [("{\"a\":2}", "still not here", until)]);
        assert_eq!(shop.ledger.fetched_due(village).await.unwrap().kept, Some(until));
        assert_eq!(shop.ledger.connection_statuses().await.unwrap()[0].orders_deferred, 1);
        let drop = |id| DropDeferredOrder { id, who: "owner".to_owned() };
        shop.ok(drop(left[0].id)).await;
        shop.refuses(drop(left[0].id), none(Thing::DeferredOrder)).await;
        shop.refuses(drop(DeferredOrderId::from_raw(7)), no_such(Thing::DeferredOrder, 7)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn an_order_that_cannot_be_kept_is_refused() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let long = keep(village, "640", &"x".repeat(256 * 1024 + 1));
        shop.refuses(
            long,
            invalid("order", OnlineReason::OrderTooLong { number: "640".to_owned(), limit: 262_144 }),
        )
        .await;
        shop.refuses(
            keep(village, "640", "a\0"),
            invalid("order", OnlineReason::OrderTooLong { number: "640".to_owned(), limit: 262_144 }),
        )
        .await;
        shop.refuses(keep(ConnectionId::from_raw(1), "1", "{}"), no_such(Thing::LiveConnection, 1)).await;
        let mut raw = shop.raw().await;
        let many = "INSERT INTO deferred_order (id, connection_id, number, raw_hash, raw, message, tries, due_ms, holder, lease_ms, \
            deferred_ms) WITH RECURSIVE n (v) AS (SELECT 1 UNION ALL SELECT v + 1 FROM n WHERE v < 10000) \
            SELECT v, $1, CAST(v AS TEXT), '', '', '', 0, 0, 0, 0, 0 FROM n";
        sqlx::query(many).bind(village.raw()).execute(&mut *raw).await.unwrap();
        drop(raw);
        shop.refuses(
            keep(village, "x", "{}"),
            invalid("order", OnlineReason::TooManyDeferred { limit: 10000 }),
        )
        .await;
    });
}

fn difference(sku: &str, item: Option<ItemId>, ours: &str, theirs: &str) -> ListingDifference {
    let (ours, theirs) = (ours.to_owned(), theirs.to_owned());
    ListingDifference { sku: sku.to_owned(), item, field: "offers.price".to_owned(), ours, theirs }
}

#[test]
fn differences_are_asked_about_until_a_person_settles_them() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        let [first, second] = [Some(item_of(&shop, "p1").await), Some(item_of(&shop, "p2").await)];
        let found =
            |differences: Vec<ListingDifference>| KeepDifferences { connection: village, differences };
        let both = || {
            vec![
                difference("p2", second, "1", "2"),
                difference("p1", first, "1", "2"),
                difference("x", None, "", "9"),
            ]
        };
        shop.ok(found([both(), both()].concat())).await;
        let shown = async || {
            let found = shop.ledger.listing_differences(village, 9).await.unwrap();
            found
                .iter()
                .map(|d| format!("{} {}", d.difference.sku, d.difference.theirs))
                .collect::<Vec<_>>()
                .join(", ")
        };
        assert_eq!(shown().await, "p1 2, p2 2, x 9");
        let ids: Vec<DifferenceId> =
            shop.ledger.listing_differences(village, 9).await.unwrap().iter().map(|d| d.id).collect();
        let settle = |id, choice| SettleDifference { id, choice, who: "owner".to_owned() };
        shop.ok(settle(ids[0], DifferenceChoice::TellOurs)).await;
        assert_eq!(waiting(&shop, village).await, "p1 2");
        shop.ok(settle(ids[1], DifferenceChoice::Leave)).await;
        shop.refuses(
            settle(ids[2], DifferenceChoice::TellOurs),
            invalid("choice", OnlineReason::NoItemHere { sku: "x".to_owned() }),
        )
        .await;
        shop.refuses(settle(ids[0], DifferenceChoice::Leave), none(Thing::Difference)).await;
        // The next comparison: ignored differences are not asked about again, unless a side changed.
        shop.ok(found(vec![difference("p2", second, "1", "2")])).await;
        assert_eq!(shown().await, "");
        shop.ok(found(vec![difference("p2", second, "1", "3")])).await;
        assert_eq!(shown().await, "p2 3");
        assert_eq!(shop.ledger.connection_statuses().await.unwrap()[0].differences, 1);
        shop.ok(found(vec![])).await;
        assert_eq!(shown().await, "");
        audit::clean(&shop).await;
    });
}
