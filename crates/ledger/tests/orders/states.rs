//! Which of two states of an order is the later one.

use crate::build::{books, later, line, order, stock, stock_up, take, take_fetched, told};
use domain::order::{IncomingOrder, OrderStatus};
use testkit::make::usd;
use testkit::shops;

const KNOWN: &str = "known, 0 refunds";
const CHANGED: &str = "changed, 0 refunds";

/// The order with a shipping charge: a state that differs in nothing else.
fn shipped(order: &IncomingOrder, hours: i64, shipping: &str) -> IncomingOrder {
    IncomingOrder { shipping: usd(shipping), ..later(order, hours) }
}

#[tokio::test]
async fn a_newer_state_with_an_equal_body_keeps_its_date() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = order("H-1", vec![line("P1", "1", "40.00")]);
        let stock_units = [
            (shipped(&first, 1, "6.00"), "taken, sale true, 1 filled, 0 short, 0 refunds"),
            (shipped(&first, 9, "6.00"), KNOWN),
            (shipped(&first, 5, "2.00"), KNOWN),
        ];
        for (state, expected) in &stock_units {
            assert_eq!(told(&take(&shop, state).await), *expected, "{} {:?}", shop.engine, state.modified);
        }
        let id = shop.ledger.orders(None, false, 1).await.unwrap().remove(0).id;
        let detail = shop.ledger.order(id).await.unwrap();
        assert_eq!((detail.shipping, detail.modified), (usd("6.00"), stock_units[1].0.modified));
        assert!(books(&shop).await.contains("shipping 6.00"), "{}", books(&shop).await);
        shop.end().await;
    }
}

#[tokio::test]
async fn of_one_moment_a_fresh_fetch_decides_and_else_the_second_is_refused() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut first = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        first.shipping = usd("6.00");
        take(&shop, &first).await;
        let other = shipped(&first, 1, "2.00");
        let refused = take(&shop, &other).await;
        assert!(
            matches!(
                &refused,
                ledger::orders::OrderOutcome::Rejected(ledger::Rejection::SameDateOtherContents { number, .. }) if number == "H-1"
            ),
            "{}: {refused:?}",
            shop.engine
        );
        assert!(books(&shop).await.contains("shipping 6.00"), "{}", books(&shop).await);
        assert_eq!(told(&take_fetched(&shop, &other).await), CHANGED, "{}", shop.engine);
        assert!(books(&shop).await.contains("shipping 2.00"), "{}", books(&shop).await);
        // A fetched state that is older than the known one is still older.
        assert_eq!(told(&take_fetched(&shop, &later(&first, 0)).await), KNOWN, "{}", shop.engine);
        shop.end().await;
    }
}

#[tokio::test]
async fn without_a_date_a_cancellation_alone_is_taken() {
    for shop in shops().await {
        stock_up(&shop).await;
        for (number, sku, dated) in [("H-1", "P1", true), ("H-2", "P2", false)] {
            let bare = order(number, vec![line(sku, "1", "40.00")]);
            let first = if dated { later(&bare, 1) } else { bare.clone() };
            take(&shop, &first).await;
            let mut dearer = bare.clone();
            dearer.lines[0].price = domain::order::LinePrice::Each(usd("41.00"));
            let refused = told(&take(&shop, &dearer).await);
            assert!(refused.contains("OrderDiffers"), "{refused}");
            let sent = IncomingOrder { status: OrderStatus::OrderInTransit, ..bare.clone() };
            let refused = told(&take(&shop, &sent).await);
            assert!(refused.contains("OrderDiffers"), "{refused}");
            let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..bare.clone() };
            for expected in [CHANGED, KNOWN] {
                assert_eq!(told(&take(&shop, &over).await), expected, "{} {number}", shop.engine);
            }
            assert_eq!(stock(&shop, sku).await, "1 / 0");
        }
        shop.end().await;
    }
}

#[tokio::test]
async fn no_lines_at_all_is_a_cancellation() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        take(&shop, &first).await;
        let empty = IncomingOrder { lines: Vec::new(), ..later(&first, 2) };
        for expected in [CHANGED, KNOWN] {
            assert_eq!(told(&take(&shop, &empty).await), expected, "{}", shop.engine);
        }
        assert_eq!(stock(&shop, "P1").await, "1 / 0");
        let view = shop.ledger.orders(None, false, 1).await.unwrap().remove(0);
        assert_eq!(view.status, OrderStatus::OrderCancelled);
        // For an unknown order it means nothing.
        let unknown = IncomingOrder { lines: Vec::new(), ..order("H-9", Vec::new()) };
        let refused = told(&take(&shop, &unknown).await);
        assert!(refused.contains("Orders(NoLines)"), "{refused}");
        shop.end().await;
    }
}

#[tokio::test]
async fn a_number_that_was_used_again_waits_for_a_person() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        take(&shop, &first).await;
        let booked = books(&shop).await;
        let next_day = first.ordered.plus_millis(-30 * 3_600_000);
        let again =
            IncomingOrder { ordered: next_day, lines: vec![line("P2", "1", "40.00")], ..later(&first, 2) };
        let refused = take(&shop, &again).await;
        assert!(
            matches!(
                refused,
                ledger::orders::OrderOutcome::Rejected(ledger::Rejection::NumberUsedAgain { .. })
            ),
            "{}: {refused:?}",
            shop.engine
        );
        assert_eq!((stock(&shop, "P1").await, books(&shop).await), ("0 / 0".to_owned(), booked.clone()));
        // Another day alone is stored and shown, and books nothing.
        let moved = IncomingOrder { ordered: next_day, ..later(&first, 2) };
        assert_eq!(told(&take(&shop, &moved).await), CHANGED, "{}", shop.engine);
        let view = shop.ledger.orders(None, false, 1).await.unwrap().remove(0);
        assert_eq!((view.ordered, books(&shop).await), (next_day, booked));
        shop.end().await;
    }
}
