//! Pauses that end early: through a person, a successful answer, or a corrected clock.

use super::*;
use crate::expected::*;
use crate::harness::{DAY_MS, HOUR_MS, START, on_each};
use domain::day::Moment;
use ledger::online::{
    ClaimPull, HurryConnection, NoteContact, PullOf, PullState, QuietConnection, RereadOrders, SettlePull,
};

fn quiet(connection: ConnectionId, until: Moment, asked: bool) -> QuietConnection {
    let of = ledger::online::TroubleOf::Connection;
    QuietConnection { connection, until, asked, words: "503".to_owned(), of }
}

#[test]
fn a_clock_that_was_set_back_is_put_right_once_and_a_lease_lasts_no_longer_than_from_now() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        assert_eq!(shop.ledger.look_at_clock(village).await.unwrap(), None);
        let held = holder(&shop.ledger);
        let claimed =
            shop.ok(ClaimMessages { connection: village, holder: held, limit: 1, after: None }).await;
        assert_eq!(claimed.len(), 1);
        shop.ok(quiet(village, START.plus_millis(DAY_MS), false)).await;
        let due = shop.ledger.messages_due(village).await.unwrap();
        // Ten hours back: the pause lasts as much longer as before.
        shop.clock.set(START.plus_millis(-10 * HOUR_MS));
        assert_eq!(shop.ledger.look_at_clock(village).await.unwrap(), Some(10 * HOUR_MS));
        assert_eq!(shop.ledger.look_at_clock(village).await.unwrap(), None);
        let now = shop.ledger.messages_due(village).await.unwrap();
        let earlier = |at: Option<Moment>| at.map(|at| at.plus_millis(-10 * HOUR_MS));
        assert_eq!(now.messages, earlier(due.messages));
        shop.ok(HurryConnection { connection: village }).await;
        let other = holder(&shop.ledger);
        let claim = |holder| ClaimMessages { connection: village, holder, limit: 10, after: None };
        assert_eq!(shop.ok(claim(other)).await.len(), 1, "the other one is in hand still");
        shop.clock.advance_millis(LEASE_OVER_MS);
        assert_eq!(shop.ok(claim(holder(&shop.ledger))).await.len(), 2);
    });
}

#[test]
fn hurried_is_all_but_what_may_be_under_way() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        let held = holder(&shop.ledger);
        let claimed =
            shop.ok(ClaimMessages { connection: village, holder: held, limit: 10, after: None }).await;
        let until = START.plus_millis(HOUR_MS);
        let words = || "away".to_owned();
        let became =
            [SettledAs::Later { until, words: words() }, SettledAs::Unanswered { until, words: words() }];
        let settled = claimed.iter().zip(became);
        let settled = settled.map(|(c, became)| Settled { item: c.item, revision: 1, became }).collect();
        shop.ok(SettleMessages { connection: village, holder: held, settled }).await;
        shop.ok(quiet(village, until, true)).await;
        shop.ok(HurryConnection { connection: village }).await;
        let claim = |holder| ClaimMessages { connection: village, holder, limit: 10, after: None };
        let first = shop.ok(claim(holder(&shop.ledger))).await;
        assert_eq!(first.iter().map(|c| c.item).collect::<Vec<_>>(), [claimed[0].item]);
        shop.clock.advance_millis(MINUTE_MS / 2);
        let second = shop.ok(claim(holder(&shop.ledger))).await;
        assert_eq!(second.iter().map(|c| c.item).collect::<Vec<_>>(), [claimed[1].item]);
    });
}

#[test]
fn a_good_answer_ends_a_pause_that_nobody_asked_for() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let until = START.plus_millis(HOUR_MS);
        for (asked, left) in [(false, None), (true, Some(until))] {
            shop.ok(quiet(village, until, asked)).await;
            shop.ok(NoteContact { connection: village, of: ledger::online::TroubleOf::Messages }).await;
            let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
            assert_eq!(status.quiet_until, left);
        }
    });
}

#[test]
fn orders_are_read_once_more_until_that_was_begun() {
    on_each(|shop| async move {
        let village = village(&shop).await;
        let since = |days: i64| START.plus_millis(-days * DAY_MS);
        let reread = |days| RereadOrders { connection: village, since: since(days), who: "owner".to_owned() };
        shop.ok(reread(2)).await;
        shop.ok(reread(3)).await;
        shop.ok(reread(1)).await;
        shop.refuses(reread(-1), invalid("since", OnlineReason::SinceInFuture)).await;
        let claim = |holder| ClaimPull { connection: village, what: PullOf::Orders, holder, early: false };
        let settle = |holder, reread_begun| SettlePull {
            connection: village,
            what: PullOf::Orders,
            holder,
            state: PullState::default(),
            next: START,
            words: Some("its list of orders: 500".to_owned()),
            reread_begun,
        };
        // The longest requested pause counts from its start, and not before.
        for begun in [None, Some(since(3)), None] {
            let held = holder(&shop.ledger);
            let state = shop.ok(claim(held)).await.unwrap();
            let is_begun = begun.is_none() && state.reread.is_none();
            assert!(is_begun || state.reread == Some(since(3)), "{begun:?} {state:?}");
            assert!(shop.ok(settle(held, begun)).await);
        }
        let held = holder(&shop.ledger);
        assert_eq!(shop.ok(claim(held)).await.unwrap().reread, None);
        let troubles = shop.ledger.fetch_troubles(village).await.unwrap();
        assert_eq!((troubles.len(), troubles[0].what), (1, PullOf::Orders));
        assert_eq!(troubles[0].words, "its list of orders: 500");
    });
}
