//! Counts, losses and gains; holds and their end.

use crate::audit;
use crate::expected::*;
use crate::harness::{HOUR_MS, MINUTE_MS, START, on_each};
use crate::make::*;
use domain::ids::HoldGroupId;
use domain::stock::{ReturnDisposition, StockReason};
use ledger::orders::EndHold;
use ledger::sales::{DecideReturn, VoidSale};
use ledger::shelf::{BASKET_MS, Counted, Purpose, SweepHolds};

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
            ("c1", Counted::Less(asked("1"), StockReason::Gift), "9"),
            ("w1", Counted::Less(asked("0.5 LBR"), StockReason::OwnUse), "8 oz"),
            ("w1", Counted::Is(asked("0")), "0 oz"),
            ("p1", Counted::Less(asked("1"), StockReason::Damage), "0"),
        ];
        for (sku, what, expected) in changes {
            let left = shop.ok(adjust(sku, what.clone())).await;
            assert_eq!(left.to_string(), expected, "{sku} {what:?}");
        }
        let refused: [(&str, Counted, Expected); 9] = [
            ("p1", Counted::Less(asked("1"), StockReason::Gift), gone(StockReason::Damage)),
            ("p2", Counted::More(asked("1")), invalid("quantity", ShelfReason::OnlyOneUseCounted)),
            ("c1", Counted::Less(asked("10"), StockReason::Gift), not_enough(10, 9)),
            ("c1", Counted::Less(asked("1"), StockReason::Sold), invalid("why", ShelfReason::NotALoss)),
            ("c1", Counted::More(asked("0")), invalid("quantity", QuantityError::NotPositive)),
            ("c1", Counted::More(asked("-1")), invalid("quantity", QuantityError::NotPositive)),
            (
                "c1",
                Counted::More(asked("1 LBR")),
                invalid("quantity", QuantityError::NotWeighed { unit: WeightUnit::Pound }),
            ),
            ("c1", Counted::More(asked("1000000000")), invalid("quantity", QuantityError::TooLarge)),
            ("nobody", Counted::Is(asked("1")), unknown_code("nobody")),
        ];
        for (sku, what, expected) in refused {
            shop.refuses(adjust(sku, what), expected).await;
        }
        let moves = shop.ledger.stock_moves(&code("c1"), None, 10).await.unwrap();
        let told: Vec<String> = moves.iter().map(|m| format!("{} {}", m.why, m.change)).collect();
        assert_eq!(told, ["gift -1", "made 3", "count -5", "count 0", "count 2", "made 10"]);
        // Found again after it was lost: a piece that was never sold may come back by a count.
        shop.ok(adjust("p1", Counted::Is(asked("1")))).await;
        shop.ok(sale_of("p1", 100)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_move_names_the_sale_that_it_went_with_or_return_decision_from() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4800), counted("c1", "9", 200)])).await;
        let sold = shop.ok(sale_of("p1", 4800)).await;
        shop.ok(part(sold.id, sold.lines[0].id, None, ReturnDisposition::Shelf)).await;
        let wrong = shop.ok(sale_of("c1", 200)).await;
        shop.ok(VoidSale { sale: wrong.id, reason: "wrong kit".to_owned(), who: "Ash".to_owned() }).await;
        shop.ok(adjust("c1", Counted::Less(asked("1"), StockReason::Gift))).await;
        for (sku, expected) in [
            ("p1", [Some(sold.id), Some(sold.id), None].as_slice()),
            ("c1", [None, Some(wrong.id), Some(wrong.id), None].as_slice()),
        ] {
            let moves = shop.ledger.stock_moves(&code(sku), None, 10).await.unwrap();
            let sales: Vec<_> = moves.iter().map(|m| m.sale).collect();
            assert_eq!(sales, expected, "{sku} on {:?}", shop.engine);
        }
    });
}

#[test]
fn goods_on_which_nobody_has_decided_wait_on_a_list() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4800), by_ounce("w1", "16", 100), piece("p2", 300)])).await;
        let mut lines = Vec::new();
        for (sku, price, fate) in [
            ("p1", 4800, ReturnDisposition::Open),
            ("w1", 100, ReturnDisposition::Open),
            ("p2", 300, ReturnDisposition::Shelf),
        ] {
            let sold = shop.ok(sale_of(sku, price)).await;
            lines.push((sku, sold.id, shop.ok(part(sold.id, sold.lines[0].id, None, fate)).await));
        }
        let waiting = shop.ledger.open_fates(None, 10).await.unwrap();
        let told: Vec<_> = waiting
            .iter()
            .map(|w| (w.sku.as_str(), w.sale, w.quantity.to_string(), w.reason.as_str()))
            .collect();
        let expected = [
            ("w1", lines[1].1, "1 oz".to_owned(), "did not fit"),
            ("p1", lines[0].1, "1".to_owned(), "did not fit"),
        ];
        assert_eq!(told, expected, "the latest first, on {:?}", shop.engine);
        assert_eq!(shop.ledger.count_open_fates().await.unwrap(), 2);
        let next = shop.ledger.open_fates(Some(waiting[0].line), 10).await.unwrap();
        assert_eq!(next, &waiting[1..]);
        for (line, fate) in
            [(waiting[0].line, ReturnDisposition::WrittenOff), (waiting[1].line, ReturnDisposition::Shelf)]
        {
            shop.ok(DecideReturn { line, fate, who: "Ash".to_owned() }).await;
        }
        assert!(shop.ledger.open_fates(None, 10).await.unwrap().is_empty());
        assert_eq!(shop.ledger.item(&code("p1")).await.unwrap().on_hand.to_string(), "1");
        let noted: Vec<_> = shop
            .ledger
            .activity(None, 2)
            .await
            .unwrap()
            .into_iter()
            .map(|r| format!("{} {}", r.what, r.detail))
            .collect();
        let of = |sku: &str, words: &str, at: usize| {
            format!("{sku} {words} after the refund of sale {}", lines[at].1)
        };
        assert_eq!(noted, [of("p1", "returned to stock", 0), of("w1", "written off", 1)]);
        audit::clean(&shop).await;
    });
}

/// Law 2: a count that finds a sold piece does not create a second one for sale.
#[test]
fn a_sold_piece_is_not_made_again() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let sold = shop.ok(sale_of("p1", 100)).await;
        for what in [Counted::Is(asked("1")), Counted::More(asked("1"))] {
            shop.refuses(adjust("p1", what), already_sold("store", 1)).await;
        }
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
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
            (hold(&[("p2", "1"), ("p1", "1")], Purpose::Market, hour), on_hold_for("Ada")),
            (hold(&[("c1", "3")], Purpose::Market, hour), on_hold_for("Ada")),
            (hold(&[("c1", "6")], Purpose::Market, hour), not_enough(6, 2)),
            (hold(&[("p2", "2")], Purpose::Market, hour), not_enough(2, 1)),
            (hold(&[("p2", "1"), ("p2", "1")], Purpose::Market, hour), not_enough(2, 1)),
            (hold(&[], Purpose::Market, hour), invalid("lines", ShelfReason::HoldLines { limit: 200 })),
            (
                hold(&[("p2", "1")], Purpose::Customer, Some(START)),
                invalid("until", ShelfReason::HoldEndsInPast),
            ),
            (hold(&[("p2", "1")], Purpose::Customer, year), invalid("until", ShelfReason::HoldTooLong)),
            (
                hold(&[("p2", "0")], Purpose::Customer, None),
                invalid("lines.0.quantity", QuantityError::NotPositive),
            ),
            (hold(&[("p2", "1"), ("no", "1")], Purpose::Customer, None), unknown_code("no")),
        ];
        for (command, expected) in refused {
            shop.refuses(command, expected).await;
        }
        assert_eq!(shop.ok(EndHold { id: held.id }).await, 4);
        shop.refuses(EndHold { id: held.id }, hold_over("ended")).await;
        shop.refuses(EndHold { id: HoldGroupId::from_raw(7) }, no_such(Thing::Hold, 7)).await;
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
        shop.refuses(sale_of("p1", 100), on_hold(HeldFor::Sale)).await;
        shop.clock.advance_millis(BASKET_MS - 1);
        shop.refuses(sale_of("p1", 100), on_hold(HeldFor::Sale)).await;
        assert_eq!(shop.ok(SweepHolds).await, 0);
        shop.clock.advance_millis(1);
        assert!(shop.ledger.has_expired_holds().await.unwrap());
        // The sale itself ends the expired hold on its own line, and no other.
        shop.ok(sale_of("p1", 100)).await;
        assert_eq!(shop.number("SELECT CAST(COUNT(*) AS BIGINT) FROM hold WHERE state = 'expired'").await, 1);
        assert_eq!(shop.ok(SweepHolds).await, 1);
        assert_eq!(shop.ok(SweepHolds).await, 0);
        shop.refuses(EndHold { id: held.id }, hold_over("expired")).await;
        shop.ok(hold(&[("p2", "1")], Purpose::Order, None)).await;
        audit::clean(&shop).await;
    });
}
