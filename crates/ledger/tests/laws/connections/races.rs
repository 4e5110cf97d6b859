//! Several processes at once.

use super::*;
use crate::audit;
use crate::harness::on_each;
use crate::races::{at_once, outcome, views};
use ledger::online::{ClaimDeferredOrders, ClaimPull, DeferOrder, PullOf, SeeHook};
use std::collections::BTreeSet;

const TASKS: usize = 16;

#[test]
fn an_items_message_is_in_one_hand() {
    on_each(|shop| async move {
        shop.ok(add((0..40).map(|n| piece(&format!("p{n}"), 100)).collect())).await;
        let village = village(&shop).await;
        let views = views(&shop).await;
        for round in 1..=3_u32 {
            let claims = at_once(TASKS, |n| {
                let ledger = views[n % 2].clone();
                let command =
                    ClaimMessages { connection: village, holder: holder(&ledger), limit: 40, after: None };
                async move { outcome(ledger, None, command).await.unwrap().answer }
            })
            .await;
            let all: Vec<Claimed> = claims.concat();
            let items: BTreeSet<i64> = all.iter().map(|c| c.item.raw()).collect();
            assert_eq!((all.len(), items.len()), (40, 40), "on {:?}: each in one hand", shop.engine);
            assert!(all.iter().all(|c| c.tries == round));
            shop.clock.advance_millis(LEASE_OVER_MS);
        }
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// A clock that jumps past the lease while a message is under way does not let the same holder claim it
/// twice.
#[test]
fn a_holder_never_takes_again_what_it_has() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let village = village(&shop).await;
        let (one, other) = (holder(&shop.ledger), holder(&shop.ledger));
        let first = shop.ok(claim(village, one)).await;
        assert_eq!(in_hand(&shop, &first).await, "p1 1");
        shop.clock.advance_millis(LEASE_OVER_MS);
        assert_eq!(shop.ok(claim(village, one)).await, [], "on {:?}", shop.engine);
        let taken = shop.ok(claim(village, other)).await;
        assert_eq!(in_hand(&shop, &taken).await, "p1 2");
        // What was released may be claimed by the same holder again.
        let item = item_of(&shop, "p1").await;
        let left = settle(village, other, vec![(item, 0, SettledAs::Left)]);
        assert_eq!(shop.ok(left).await, 1);
        let again = shop.ok(claim(village, other)).await;
        assert_eq!(in_hand(&shop, &again).await, "p1 2");
    });
}

/// Sales, senders and a second process: in the end each listing matches the shelf.
#[test]
fn messages_and_sales_never_wait_for_each_other_in_a_circle() {
    on_each(|shop| async move {
        shop.ok(add((0..12).map(|n| counted(&format!("p{n}"), "40", 100)).collect())).await;
        let village = village(&shop).await;
        let views = views(&shop).await;
        at_once(TASKS, |n| {
            let ledger = views[n % 2].clone();
            async move {
                for turn in 0..4 {
                    if n % 3 == 0 {
                        tell_some(&ledger, village).await;
                        continue;
                    }
                    let (one, two) =
                        (format!("p{}", (n + turn) % 12), format!("p{}", (n * 5 + turn + 1) % 12));
                    let lines = if one == two {
                        vec![goods(&one, "1")]
                    } else {
                        vec![goods(&one, "1"), goods(&two, "1")]
                    };
                    let paid = 100 * i64::try_from(lines.len()).unwrap();
                    outcome(ledger.clone(), None, sale(lines, cash(paid))).await.unwrap();
                }
            }
        })
        .await;
        while !tell_all(&shop, village).await.is_empty() {}
        let behind = format!(
            "SELECT i.id FROM item i JOIN listing l ON l.item_id = i.id AND l.connection_id = {village} \
             WHERE l.revision <> i.revision"
        );
        assert!(shop.numbers(&behind).await.is_empty());
        assert_eq!(waiting(&shop, village).await, "");
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// A sale that has read the connections and is not committed yet, like any other write to a piece.
#[test]
fn the_first_telling_waits_for_a_sale_under_way() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let village = village(&shop).await;
        let item = item_of(&shop, "p1").await;
        let held = holder(&shop.ledger);
        shop.ok(claim(village, held)).await;
        let mut raw = shop.raw().await;
        let sell = "UPDATE item SET on_hand = 0, sold = 1, revision = revision + 1 WHERE sku = 'p1'";
        for text in ["BEGIN", sell] {
            sqlx::raw_sql(text).execute(&mut *raw).await.unwrap();
        }
        let done = shop.ok(settle(village, held, vec![(item, 1, told(ListingState::Listed))]));
        let commit = async {
            tokio::time::sleep(std::time::Duration::from_millis(300)).await;
            sqlx::raw_sql("COMMIT").execute(&mut *raw).await.unwrap();
        };
        let (settled, ()) = tokio::join!(done, commit);
        drop(raw);
        assert_eq!((settled, waiting(&shop, village).await.as_str()), (1, "p1 2"), "on {:?}", shop.engine);
    });
}

async fn tell_some(ledger: &Ledger, connection: ConnectionId) {
    let holder = holder(ledger);
    let claim = ClaimMessages { connection, holder, limit: 5, after: None };
    let claimed = outcome(ledger.clone(), None, claim).await.unwrap().answer;
    let items: Vec<ItemId> = claimed.iter().map(|c| c.item).collect();
    let rows = ledger.listings_of(connection, &items).await.unwrap();
    let settled = rows.iter().map(|(row, _)| (row.item, row.revision, told(ListingState::Listed))).collect();
    let settled = outcome(ledger.clone(), None, settle(connection, holder, settled)).await.unwrap().answer;
    assert_eq!(settled, claimed.len());
}

#[test]
fn a_fetch_a_hook_and_a_deferred_order_are_one_processs() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let keep = DeferOrder {
            connection: village,
            number: "640".to_owned(),
            raw: "{}".to_owned(),
            words: String::new(),
            field: String::new(),
            until: shop.ledger.now(),
        };
        shop.ok(keep).await;
        let views = views(&shop).await;
        let won = at_once(TASKS, |n| {
            let ledger = views[n % 2].clone();
            let holder = holder(&ledger);
            async move {
                let pull = ClaimPull { connection: village, what: PullOf::Orders, holder, early: true };
                let pull = outcome(ledger.clone(), None, pull).await.unwrap().answer.is_some();
                let hook = SeeHook { connection: village, message: "msg_1".to_owned() };
                let hook = outcome(ledger.clone(), None, hook).await.unwrap().answer;
                let kept = ClaimDeferredOrders { connection: village, holder, limit: 5 };
                let kept = outcome(ledger, None, kept).await.unwrap().answer.len();
                [usize::from(pull), usize::from(hook), kept]
            }
        })
        .await;
        let won = won.iter().fold([0; 3], |sum, one| [sum[0] + one[0], sum[1] + one[1], sum[2] + one[2]]);
        assert_eq!(won, [1, 1, 1], "on {:?}", shop.engine);
        views[1].close().await;
    });
}
