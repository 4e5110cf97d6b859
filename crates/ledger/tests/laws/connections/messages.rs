//! A message from the change to the other shop's answer.

use super::*;
use crate::audit;
use crate::expected::*;
use crate::harness::{HOUR_MS, on_each};
use ledger::online::{MendListings, PruneLive, QuietConnection, SendAgain};
use ledger::shelf::{AdjustStock, Counted, PriceChange};

#[test]
fn what_is_on_offer_is_told_once_and_then_what_changes() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100), counted("p3", "0", 100)])).await;
        let village = village(&shop).await;
        assert_eq!(waiting(&shop, village).await, "p1 1, p2 1");
        assert_eq!(tell_all(&shop, village).await, "p1 1, p2 1");
        assert_eq!(tell_all(&shop, village).await, "");
        shop.ok(sale_of("p1", 100)).await;
        shop.ok(AdjustStock { ..adjust("p3", Counted::More(asked("4"))) }).await;
        assert_eq!(waiting(&shop, village).await, "p1 2, p3 2");
        assert_eq!(tell_all(&shop, village).await, "p1 1, p3 1");
        let rows = shop.ledger.listings_of(village, &[item_of(&shop, "p1").await]).await.unwrap();
        let (row, stood) = &rows[0];
        assert_eq!((row.state, row.told_revision), (Some(ListingState::Ended), 2));
        assert_eq!((stood.other_id.as_str(), stood.etag.as_str()), ("L-p1", "\"1\""));
        // The connection for files gets the same changes, and only files send them.
        assert_eq!(waiting(&shop, ConnectionId::from_raw(1)).await, "p1 1, p2 1, p3 2");
        audit::clean(&shop).await;
    });
}

#[test]
fn what_is_gone_is_told_before_what_is_new() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p9", 100)])).await;
        let village = village(&shop).await;
        assert_eq!(tell_all(&shop, village).await, "p9 1");
        // The later item has the higher number: by number alone it would be last.
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100), piece("p8", 100)])).await;
        assert_eq!(tell_all(&shop, village).await, "p1 1, p2 1, p8 1");
        shop.ok(edit_price("p1", 150)).await;
        shop.ok(edit_price("p9", 150)).await;
        shop.ok(sale_of("p8", 100)).await;
        assert_eq!(tell_all(&shop, village).await, "p8 1, p9 1, p1 1");
    });
}

#[test]
fn a_drain_goes_on_after_the_last_item_and_gone_ones_still_come_first() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let village = village(&shop).await;
        assert_eq!(tell_all(&shop, village).await, "p1 1");
        shop.ok(add(vec![piece("p2", 100), piece("p3", 100), piece("p4", 100)])).await;
        let held = holder(&shop.ledger);
        let first = shop.ok(ClaimMessages { limit: 2, ..claim(village, held) }).await;
        assert_eq!(in_hand(&shop, &first).await, "p2 1, p3 1");
        let after = Some(first[1].item);
        let left = Settled { item: first[0].item, revision: 0, became: SettledAs::Left };
        shop.ok(SettleMessages { connection: village, holder: held, settled: vec![left] }).await;
        shop.ok(sale_of("p1", 100)).await;
        let next = shop.ok(ClaimMessages { after, ..claim(village, held) }).await;
        assert_eq!(in_hand(&shop, &next).await, "p1 1, p4 1");
        assert_eq!(next.iter().map(|claimed| claimed.is_gone).collect::<Vec<_>>(), [true, false]);
        assert_eq!(shop.ok(ClaimMessages { after, ..claim(village, held) }).await, []);
        assert_eq!(in_hand(&shop, &shop.ok(claim(village, held)).await).await, "p2 1");
    });
}

fn edit_price(sku: &str, price: i64) -> ledger::shelf::EditItem {
    ledger::shelf::EditItem { price: Some(PriceChange::Hand(usd(price))), ..edit(sku) }
}

#[test]
fn many_changes_while_the_shop_is_away_are_one_message() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "50", 100)])).await;
        let village = village(&shop).await;
        for _ in 0..9 {
            shop.ok(sale_of("p1", 100)).await;
        }
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!((status.waiting, status.parked, status.sent), (1, 0, 0));
        // The first shows since when it waits, the last the current state; those between show nothing.
        assert_eq!(shop.ok(PruneLive { after: None }).await, Some(item_of(&shop, "p1").await));
        assert_eq!(shop.ok(PruneLive { after: Some(item_of(&shop, "p1").await) }).await, None);
        assert_eq!(waiting(&shop, village).await, "p1 1, p1 10");
        let after = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!(after.oldest_unsent, status.oldest_unsent);
        assert_eq!(tell_all(&shop, village).await, "p1 1");
        assert_eq!(waiting(&shop, village).await, "");
        audit::clean(&shop).await;
    });
}

#[test]
fn what_was_sent_does_not_wait_any_more() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "50", 100)])).await;
        let village = village(&shop).await;
        for _ in 0..5 {
            shop.ok(sale_of("p1", 100)).await;
            tell_all(&shop, village).await;
        }
        let waits = format!("SELECT revision FROM outbox WHERE connection_id = {village}");
        assert_eq!(shop.numbers(&waits).await, [0; 0]);
        shop.ok(sale_of("p1", 100)).await;
        assert_eq!(shop.numbers(&waits).await, [7]);
    });
}

#[test]
fn a_change_while_the_message_is_under_way_waits_for_its_turn() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "5", 100)])).await;
        let village = village(&shop).await;
        let (first, other) = (holder(&shop.ledger), holder(&shop.ledger));
        let claimed = shop.ok(claim(village, first)).await;
        assert_eq!(in_hand(&shop, &claimed).await, "p1 1");
        shop.ok(sale_of("p1", 100)).await;
        assert_eq!(shop.ok(claim(village, other)).await, [], "one under way an item");
        let item = item_of(&shop, "p1").await;
        let done = settle(village, first, vec![(item, 1, told(ListingState::Listed))]);
        assert_eq!(shop.ok(done).await, 1);
        assert_eq!(waiting(&shop, village).await, "p1 2");
        assert_eq!(tell_all(&shop, village).await, "p1 1");
        audit::clean(&shop).await;
    });
}

#[test]
fn a_dead_holders_lease_runs_out_and_its_word_counts_no_more() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "5", 100)])).await;
        let village = village(&shop).await;
        let item = item_of(&shop, "p1").await;
        let (dead, next) = (holder(&shop.ledger), holder(&shop.ledger));
        assert_eq!(shop.ok(claim(village, dead)).await.len(), 1);
        shop.clock.advance_millis(MINUTE_MS - 1);
        assert_eq!(shop.ok(claim(village, next)).await, []);
        shop.clock.advance_millis(1);
        assert_eq!(in_hand(&shop, &shop.ok(claim(village, next)).await).await, "p1 2");
        for became in [told(ListingState::Listed), SettledAs::Nothing, later(&shop, 0), parked()] {
            let before = audit::fingerprint(&shop).await;
            assert_eq!(shop.ok(settle(village, dead, vec![(item, 1, became)])).await, 0);
            assert_eq!(audit::fingerprint(&shop).await, before);
        }
        assert_eq!(shop.ok(settle(village, next, vec![(item, 1, told(ListingState::Listed))])).await, 1);
        assert_eq!(shop.ok(settle(village, next, vec![(item, 1, parked())])).await, 0, "said once");
        audit::clean(&shop).await;
    });
}

/// Between sending and the answer another process may have sent a later revision.
#[test]
fn an_earlier_revision_never_takes_the_place_of_a_later_one() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "5", 100)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        shop.ok(sale_of("p1", 100)).await;
        tell_all(&shop, village).await;
        shop.ok(sale_of("p1", 100)).await;
        let held = holder(&shop.ledger);
        shop.ok(claim(village, held)).await;
        let item = item_of(&shop, "p1").await;
        shop.ok(settle(village, held, vec![(item, 1, told(ListingState::Ended))])).await;
        let (row, _) = shop.ledger.listings_of(village, &[item]).await.unwrap().remove(0);
        assert_eq!((row.told_revision, row.state), (2, Some(ListingState::Listed)));
        assert_eq!(waiting(&shop, village).await, "p1 3", "what is not told yet waits on");
        audit::clean(&shop).await;
    });
}

#[test]
fn a_message_that_went_wrong_waits_and_counts_its_tries() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        let item = item_of(&shop, "p1").await;
        let held = holder(&shop.ledger);
        shop.ok(claim(village, held)).await;
        shop.ok(settle(village, held, vec![(item, 1, later(&shop, HOUR_MS))])).await;
        shop.clock.advance_millis(LEASE_OVER_MS);
        assert_eq!(tell_all(&shop, village).await, "p2 2", "the others go on");
        let due = shop.ledger.messages_due(village).await.unwrap().messages.unwrap();
        assert_eq!(due.millis() - shop.ledger.now().millis(), HOUR_MS - LEASE_OVER_MS);
        shop.clock.advance_millis(HOUR_MS);
        assert_eq!(tell_all(&shop, village).await, "p1 2");
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!((status.sent, status.refused, status.last_trouble.as_str()), (2, 0, ""), "it is cured");
    });
}

/// The sale knows of no listing yet, and the piece is no longer for sale: its message must be sent
/// nevertheless.
#[test]
fn a_piece_sold_while_it_is_told_for_the_first_time_is_told_to_be_gone() {
    on_each(|shop| async move {
        shop.ok(add((1..=4).map(|n| piece(&format!("p{n}"), 100)).collect())).await;
        let village = village(&shop).await;
        let held = holder(&shop.ledger);
        assert_eq!(shop.ok(claim(village, held)).await.len(), 4);
        for sku in ["p1", "p2", "p3", "p4"] {
            shop.ok(sale_of(sku, 100)).await;
        }
        // What may happen to the message about the earlier state: accepted, refused, unknown, not sent.
        let mut settled = Vec::new();
        for (sku, became) in [
            ("p1", told(ListingState::Listed)),
            ("p2", parked()),
            ("p3", later(&shop, 0)),
            ("p4", SettledAs::Left),
        ] {
            settled.push((item_of(&shop, sku).await, 1, became));
        }
        shop.ok(settle(village, held, settled)).await;
        assert_eq!(tell_all(&shop, village).await, "p1 1, p2 2, p3 2, p4 1");
        audit::clean(&shop).await;
    });
}

/// While the connection is paused, what was claimed is released again, however often.
#[test]
fn a_message_that_was_not_said_after_all_is_as_it_was() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let village = village(&shop).await;
        let item = item_of(&shop, "p1").await;
        for _ in 0..3 {
            let held = holder(&shop.ledger);
            assert_eq!(in_hand(&shop, &shop.ok(claim(village, held)).await).await, "p1 1");
            let left = settle(village, held, vec![(item, 1, SettledAs::Left)]);
            assert_eq!(shop.ok(left).await, 1);
        }
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!((status.sent, status.refused, status.last_trouble.as_str()), (0, 0, ""));
        assert_eq!(tell_all(&shop, village).await, "p1 1");
    });
}

#[test]
fn a_parked_message_blocks_nothing_and_comes_again() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "5", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        let item = item_of(&shop, "p1").await;
        let park = async |expected: &str| {
            let held = holder(&shop.ledger);
            let claimed = shop.ok(claim(village, held)).await;
            assert_eq!(in_hand(&shop, &claimed).await, expected, "on {:?}", shop.engine);
            let at = revision(&shop, "p1").await;
            shop.ok(settle(village, held, vec![(item, at, parked())])).await;
        };
        park("p1 1, p2 1").await;
        shop.clock.advance_millis(LEASE_OVER_MS);
        assert_eq!(tell_all(&shop, village).await, "p2 2");
        let found = shop.ledger.parked(village, 9).await.unwrap();
        let shown: Vec<_> = found.iter().map(|p| (p.sku.as_str(), p.revision, p.words.as_str())).collect();
        assert_eq!(shown, [("p1", 1, "422: the weight is not known here")]);
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!((status.waiting, status.parked, status.refused), (1, 1, 1));
        assert_eq!(
            (status.oldest_unsent, shop.ledger.messages_due(village).await.unwrap().messages),
            (None, None)
        );
        // A later change is another message.
        shop.ok(sale_of("p1", 100)).await;
        park("p1 2").await;
        // A person's request.
        let again = |code| SendAgain { connection: village, code, who: "maker".to_owned() };
        assert_eq!(shop.ok(again(None)).await, 1);
        park("p1 2").await;
        assert_eq!(shop.ok(again(Some(code("p2")))).await, 0);
        assert_eq!(shop.ok(again(Some(code("p1")))).await, 1);
        assert_eq!(tell_all(&shop, village).await, "p1 2");
        assert_eq!(shop.ledger.parked(village, 9).await.unwrap(), []);
        shop.refuses(again(Some(code("p9"))), unknown_code("p9")).await;
        audit::clean(&shop).await;
    });
}

/// A person's request does not shorten the time for which a message may still be on its way.
#[test]
fn a_waiting_message_can_be_hurried_but_not_doubled() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let village = village(&shop).await;
        let item = item_of(&shop, "p1").await;
        let held = holder(&shop.ledger);
        shop.ok(claim(village, held)).await;
        let again = || SendAgain { connection: village, code: Some(code("p1")), who: String::new() };
        assert_eq!(shop.ok(again()).await, 0, "under way");
        shop.ok(settle(village, held, vec![(item, 1, later(&shop, HOUR_MS))])).await;
        assert_eq!(shop.ok(again()).await, 1);
        assert_eq!(tell_all(&shop, village).await, "");
        shop.clock.advance_millis(MINUTE_MS / 2);
        assert_eq!(tell_all(&shop, village).await, "p1 2");
    });
}

#[test]
fn a_quiet_connection_waits_as_a_whole() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let village = village(&shop).await;
        let quiet = |until, words: &str| QuietConnection {
            connection: village,
            until,
            asked: false,
            words: words.to_owned(),
            of: ledger::online::TroubleOf::Connection,
        };
        let until = shop.ledger.now().plus_millis(HOUR_MS);
        shop.ok(quiet(until, "401: who are you?")).await;
        assert_eq!(tell_all(&shop, village).await, "");
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!((status.quiet_until, status.last_trouble.as_str()), (Some(until), "401: who are you?"));
        let told = shop.ledger.messages_due(village).await.unwrap();
        let fetched = shop.ledger.fetched_due(village).await.unwrap();
        assert_eq!(
            (told.messages, fetched.orders, fetched.listings),
            (Some(until), Some(until), Some(until))
        );
        shop.ok(quiet(shop.ledger.now(), "")).await;
        assert_eq!(tell_all(&shop, village).await, "p1 1");
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        // Resolved troubles are forgotten.
        assert_eq!((status.quiet_until, status.last_trouble.as_str()), (None, ""));
    });
}

#[test]
fn nothing_to_tell_settles_a_message() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let village = village(&shop).await;
        shop.ok(sale_of("p1", 100)).await;
        let item = item_of(&shop, "p1").await;
        let held = holder(&shop.ledger);
        shop.ok(claim(village, held)).await;
        shop.ok(settle(village, held, vec![(item, 2, SettledAs::Nothing)])).await;
        assert_eq!(waiting(&shop, village).await, "");
        audit::clean(&shop).await;
    });
}

#[test]
fn a_mended_listing_is_told_anew_at_a_revision_of_its_own() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        let items = vec![item_of(&shop, "p1").await];
        let mend = |above| MendListings { connection: village, items: items.clone(), above, counts: true };
        shop.ok(mend(0)).await;
        assert_eq!(waiting(&shop, village).await, "p1 2");
        assert_eq!(waiting(&shop, ConnectionId::from_raw(1)).await, "p1 1, p2 1", "nobody else is told");
        let (row, stood) = shop.ledger.listings_of(village, &items).await.unwrap().remove(0);
        assert_eq!((row.told_hash.as_str(), stood.etag.as_str(), stood.other_id.as_str()), ("", "", "L-p1"));
        assert_eq!(tell_all(&shop, village).await, "p1 1");
        // After our shop was restored from a backup, the other shop has newer revisions than we do.
        for (above, then) in [(2, 3), (40, 41), (i64::MAX, 42)] {
            shop.ok(mend(above)).await;
            assert_eq!(waiting(&shop, village).await, format!("p1 {then}"));
            tell_all(&shop, village).await;
        }
        audit::clean(&shop).await;
    });
}

/// The age of the oldest change that waits and can be sent.
#[test]
fn the_lag_is_that_of_the_oldest_change() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("p1", "5", 100), counted("p2", "5", 100)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        let lag = async || {
            let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
            status.oldest_unsent.map(|at| shop.ledger.now().millis() - at.millis())
        };
        assert_eq!(lag().await, None);
        shop.ok(sale_of("p2", 100)).await;
        shop.clock.advance_millis(7000);
        assert_eq!(lag().await, Some(7000));
        shop.ok(sale_of("p1", 100)).await;
        shop.ok(sale_of("p2", 100)).await;
        shop.clock.advance_millis(5);
        assert_eq!(lag().await, Some(7005));
        tell_all(&shop, village).await;
        assert_eq!(lag().await, None);
    });
}
