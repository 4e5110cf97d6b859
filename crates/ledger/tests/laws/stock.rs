//! Counts, losses and gains; holds and their end.

use crate::audit;
use crate::harness::{HOUR_MS, MINUTE_MS, START, on_each};
use crate::make::*;
use domain::ids::HoldGroupId;
use domain::stock::{Fate, Why};
use ledger::{BASKET_MS, Counted, EndHold, Purpose, SweepHolds};

#[test]
fn stock_is_counted_lost_and_gained() {
    on_each(|shop| async move {
        shop.ok(add(vec![
            piece("p1", 100),
            piece("p2", 100),
            counted("c1", "10", 100),
            by_ounce("w1", "16", 100),
        ]))
        .await;
        let changes: [(&str, Counted, &str); 8] = [
            ("c1", Counted::Is(asked("12")), "12"),
            ("c1", Counted::Is(asked("12")), "12"),
            ("c1", Counted::Is(asked("7")), "7"),
            ("c1", Counted::More(asked("3")), "10"),
            ("c1", Counted::Less(asked("1"), Why::Gift), "9"),
            ("w1", Counted::Less(asked("0.5 LBR"), Why::OwnUse), "8 oz"),
            ("w1", Counted::Is(asked("0")), "0 oz"),
            ("p1", Counted::Less(asked("1"), Why::Damage), "0"),
        ];
        for (sku, what, expected) in changes {
            let left = shop.ok(adjust(sku, what.clone())).await;
            assert_eq!(left.to_string(), expected, "{sku} {what:?}");
        }
        let refused: [(&str, Counted, &str); 9] = [
            ("p1", Counted::Less(asked("1"), Why::Gift), "gone: no longer on the shelf: damage"),
            ("p2", Counted::More(asked("1")), "invalid: of a piece exactly one exists"),
            ("c1", Counted::Less(asked("10"), Why::Gift), "not-enough: 10 asked for, 9 free"),
            ("c1", Counted::Less(asked("1"), Why::Sold), "invalid: a loss is damage, gift or own-use"),
            ("c1", Counted::More(asked("0")), "invalid: quantity must be more than 0"),
            ("c1", Counted::More(asked("-1")), "invalid: quantity must be more than 0"),
            ("c1", Counted::More(asked("1 LBR")), "invalid: counted, not weighed"),
            ("c1", Counted::More(asked("1000000000")), "invalid: larger than a shop can hold"),
            ("nobody", Counted::Is(asked("1")), "unknown-code: nobody"),
        ];
        for (sku, what, expected) in refused {
            shop.refuses(adjust(sku, what), expected).await;
        }
        let moves = shop.ledger.stock_moves(&code("c1"), None, 10).await.unwrap();
        let told: Vec<String> = moves.iter().map(|m| format!("{} {}", m.why, m.change)).collect();
        assert_eq!(told, ["gift -1", "made 3", "count -5", "count 2", "made 10"]);
        // Found again after it was lost: a piece that was never sold may come back by a count.
        shop.ok(adjust("p1", Counted::Is(asked("1")))).await;
        shop.ok(sale_of("p1", 100)).await;
        audit::clean(&shop).await;
    });
}

/// Law 2: a count that finds a sold piece does not make a second one to sell.
#[test]
fn a_sold_piece_is_not_made_again() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let sold = shop.ok(sale_of("p1", 100)).await;
        for what in [Counted::Is(asked("1")), Counted::More(asked("1"))] {
            shop.refuses(adjust("p1", what), "already-sold: receipt 1").await;
        }
        shop.ok(whole(sold.id, Fate::Shelf)).await;
        shop.ok(sale_of("p1", 100)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_hold_is_of_all_its_lines_or_of_none() {
    on_each(|shop| async move {
        shop.ok(add(vec![
            piece("p1", 100),
            piece("p2", 100),
            counted("c1", "5", 100),
            by_ounce("w1", "16", 100),
        ]))
        .await;
        let held = shop
            .ok(hold(&[("p1", "1"), ("c1", "2"), ("c1", "1"), ("w1", "1 LBR")], Purpose::Customer, None))
            .await;
        let told: Vec<String> = held.lines.iter().map(|l| format!("{} {}", l.sku, l.quantity)).collect();
        assert_eq!(told, ["p1 1", "c1 2", "c1 1", "w1 16 oz"]);
        let hour = Some(START.plus_millis(HOUR_MS));
        let year = Some(START.plus_millis(367 * 24 * HOUR_MS));
        let refused = [
            (hold(&[("p2", "1"), ("p1", "1")], Purpose::Market, hour), "set-aside: set aside for Ada"),
            (hold(&[("c1", "3")], Purpose::Market, hour), "set-aside: for Ada"),
            (hold(&[("c1", "6")], Purpose::Market, hour), "not-enough: 6 asked for, 2 free"),
            (hold(&[("p2", "2")], Purpose::Market, hour), "not-enough: 2 asked for, 1 free"),
            (hold(&[("p2", "1"), ("p2", "1")], Purpose::Market, hour), "not-enough: 2 asked for, 1 free"),
            (hold(&[], Purpose::Market, hour), "invalid: a hold has 1 to"),
            (hold(&[("p2", "1")], Purpose::Customer, Some(START)), "invalid: a hold ends later than now"),
            (hold(&[("p2", "1")], Purpose::Customer, year), "invalid: at most a year"),
            (hold(&[("p2", "0")], Purpose::Customer, None), "invalid: more than 0"),
            (hold(&[("p2", "1"), ("no", "1")], Purpose::Customer, None), "unknown-code: no"),
        ];
        for (command, expected) in refused {
            shop.refuses(command, expected).await;
        }
        assert_eq!(shop.ok(EndHold { id: held.id }).await, 4);
        shop.refuses(EndHold { id: held.id }, "hold-over: is over (ended)").await;
        shop.refuses(EndHold { id: HoldGroupId::from_raw(7) }, "no-such: there is no hold 7").await;
        assert!(shop.ledger.open_holds(None, 10).await.unwrap().is_empty());
        audit::clean(&shop).await;
    });
}

#[test]
fn a_basket_is_held_for_ten_minutes() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let held = shop.ok(basket(&[("p1", "1"), ("p2", "1")])).await;
        assert_eq!(held.until, Some(START.plus_millis(10 * MINUTE_MS)));
        shop.refuses(sale_of("p1", 100), "set-aside: for a basket until 2026-05-17T10:10:00Z").await;
        shop.clock.advance_millis(BASKET_MS - 1);
        shop.refuses(sale_of("p1", 100), "set-aside: for a basket").await;
        assert_eq!(shop.ok(SweepHolds).await, 0);
        shop.clock.advance_millis(1);
        assert!(shop.ledger.has_expired_holds().await.unwrap());
        // The sale itself ends the hold that ran out on its own line, and on no other.
        shop.ok(sale_of("p1", 100)).await;
        assert_eq!(shop.number("SELECT CAST(COUNT(*) AS BIGINT) FROM hold WHERE state = 'expired'").await, 1);
        assert_eq!(shop.ok(SweepHolds).await, 1);
        assert_eq!(shop.ok(SweepHolds).await, 0);
        shop.refuses(EndHold { id: held.id }, "hold-over: is over (expired)").await;
        shop.ok(hold(&[("p2", "1")], Purpose::Order, None)).await;
        audit::clean(&shop).await;
    });
}
