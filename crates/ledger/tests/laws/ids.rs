//! Identifiers: two processes, a clock that is set back, a machine that sleeps.

use crate::harness::{DAY_MS, HOUR_MS, MINUTE_MS, START, Shop, on_each, open};
use crate::make::*;
use ledger::Ledger;
use ledger::shelf::RowOutcome;
use std::collections::BTreeSet;

/// Adds goods and returns their identifiers.
async fn some_ids(ledger: &Ledger, count: usize) -> Vec<i64> {
    let fresh = (0..count).map(|_| ledger::shelf::NewItem { sku: None, ..piece("x", 100) }).collect();
    let outcomes = ledger.execute(None, &add(fresh)).await.unwrap().answer;
    let id = |o: &RowOutcome| if let RowOutcome::Added(a) = o { a.id.raw() } else { panic!("{o:?}") };
    outcomes.iter().map(id).collect()
}

/// Bits 12 to 21 (see `domain::ids`).
fn nodes(ids: &[i64]) -> BTreeSet<i64> {
    ids.iter().map(|id| (id >> 12) & 1023).collect()
}

async fn again(shop: &Shop) -> Ledger {
    open(&shop.url, shop.clock.clone()).await
}

#[test]
fn two_processes_have_two_nodes_and_give_them_back() {
    on_each(|shop| async move {
        let second = again(&shop).await;
        let (a, b) = (some_ids(&shop.ledger, 5).await, some_ids(&second, 5).await);
        assert_eq!((nodes(&a), nodes(&b)), (BTreeSet::from([0]), BTreeSet::from([1])));
        second.close().await;
        shop.clock.advance_millis(1);
        let third = again(&shop).await;
        assert_eq!(nodes(&some_ids(&third, 1).await), BTreeSet::from([1]), "the number was given back");
        third.close().await;
        assert_eq!(shop.number("SELECT CAST(COUNT(*) AS BIGINT) FROM node_lease").await, 2);
    });
}

/// The clock is set back an hour in the middle; then the shop is closed, opened, and passes through the
/// same hour again: a repeated identifier would violate the primary keys.
#[test]
fn a_clock_put_back_makes_no_identifier_twice() {
    on_each(|shop| async move {
        let mut ids = some_ids(&shop.ledger, 50).await;
        shop.clock.set(START.plus_millis(-HOUR_MS));
        ids.extend(some_ids(&shop.ledger, 50).await);
        shop.ledger.close().await;
        for minutes in [0, 20, 40, 59, 60, 61] {
            shop.clock.set(START.plus_millis(-HOUR_MS + minutes * MINUTE_MS));
            let opened = again(&shop).await;
            ids.extend(some_ids(&opened, 50).await);
            opened.close().await;
        }
        let distinct: BTreeSet<i64> = ids.iter().copied().collect();
        assert_eq!(distinct.len(), ids.len());
    });
}

/// Its lease expired while it slept, and another process took the number.
#[test]
fn a_machine_that_slept_takes_another_number() {
    on_each(|shop| async move {
        let mut ids = some_ids(&shop.ledger, 5).await;
        shop.clock.advance_millis(6 * MINUTE_MS);
        let other = again(&shop).await;
        let (theirs, ours) = (some_ids(&other, 5).await, some_ids(&shop.ledger, 5).await);
        assert_eq!((nodes(&theirs), nodes(&ours)), (BTreeSet::from([0]), BTreeSet::from([1])));
        ids.extend(theirs.iter().chain(&ours));
        assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), 15);
        // If no other process came meanwhile, it keeps its number.
        other.close().await;
        shop.clock.advance_millis(DAY_MS);
        assert_eq!(nodes(&some_ids(&shop.ledger, 5).await), BTreeSet::from([1]));
    });
}
