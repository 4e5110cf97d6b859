//! Orders that change in ways nobody plans for.

use crate::build::{books, later, line, order, refund, stock, stock_up, take, take_past, told};
use domain::order::{IncomingOrder, OrderStatus};
use ledger::orders::OrderOutcome;
use testkit::make::usd;
use testkit::shops;

fn state(order: &IncomingOrder, hours: i64, status: OrderStatus) -> IncomingOrder {
    IncomingOrder { status, ..later(order, hours) }
}

#[tokio::test]
async fn what_was_set_aside_for_an_order_fills_its_changed_lines() {
    for shop in shops().await {
        stock_up(&shop).await;
        let unpaid = order("H-1", vec![line("KIT", "5", "12.00"), line("ROV", "20", "3.00")]);
        take(&shop, &state(&unpaid, 1, OrderStatus::OrderPaymentDue)).await;
        let mut paid = state(&unpaid, 2, OrderStatus::OrderProcessing);
        // Fewer of the kits, in two lines; more of the roving, which the rest of the cone covers.
        paid.lines = vec![line("KIT", "1", "12.00"), line("ROV", "30", "3.00"), line("KIT", "2", "12.00")];
        assert_eq!(told(&take(&shop, &paid).await), "changed, 0 refunds");
        assert!(
            shop.ledger.orders(None, true, 9).await.unwrap().is_empty(),
            "{}: nothing short",
            shop.engine
        );
        assert_eq!(
            (stock(&shop, "KIT").await, stock(&shop, "ROV").await),
            ("2 / 0".to_owned(), "2 oz / 0 oz".to_owned())
        );
        assert!(books(&shop).await.starts_with("1 sales, 4 units, 126.00"), "{}", books(&shop).await);
        shop.end().await;
    }
}

#[tokio::test]
async fn a_line_that_waits_for_a_person_may_become_smaller_or_larger() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "9", "12.00")]), 1);
        assert_eq!(told(&take(&shop, &first).await), "taken, sale true, 1 filled, 1 short, 0 refunds");
        let waiting = |expected: &'static str| {
            let ledger = shop.ledger.clone();
            async move {
                let view = ledger.orders(None, false, 1).await.unwrap().remove(0);
                let lines: Vec<String> = view
                    .lines
                    .iter()
                    .filter(|l| {
                        matches!(
                            l.state,
                            ledger::orders::OrderLineState::Short | ledger::orders::OrderLineState::Held
                        )
                    })
                    .map(|l| format!("{:?} {} {}", l.state, l.quantity, l.code))
                    .collect();
                assert_eq!(lines.join(", "), expected);
            }
        };
        waiting("Short 9 KIT").await;
        // Each state: hours, kits and their price, and what is then short.
        let states = [
            (2, "8", "12.00", "Short 8 KIT"),
            (3, "2", "12.00", "Short 2 KIT"),
            (4, "3", "12.00", "Short 3 KIT"),
            (5, "3", "11.00", "Short 3 KIT"),
        ];
        for (hours, kits, price, expected) in states {
            let mut next = later(&first, hours);
            next.lines = vec![line("P1", "1", "40.00"), line("KIT", kits, price)];
            assert_eq!(told(&take(&shop, &next).await), "changed, 0 refunds", "{kits} {}", shop.engine);
            waiting(expected).await;
        }
        assert_eq!(stock(&shop, "KIT").await, "5 / 0", "there for whom a person chooses it");
        shop.end().await;
    }
}

#[tokio::test]
async fn refunds_come_before_the_end_of_an_order_and_with_its_payment() {
    for shop in shops().await {
        stock_up(&shop).await;
        let sold = later(&order("H-1", vec![line("KIT", "3", "12.00")]), 1);
        take(&shop, &sold).await;
        // The shop reports a refund of one kit and the cancellation at once.
        let mut over = state(&sold, 2, OrderStatus::OrderCancelled);
        over.refunds = vec![refund("R1", "KIT", "1")];
        for expected in ["changed, 1 refunds", "known, 0 refunds"] {
            assert_eq!(told(&take(&shop, &over).await), expected, "{}", shop.engine);
        }
        assert_eq!(stock(&shop, "KIT").await, "4 / 0", "the refunded one waits for a person");
        let unpaid = state(&order("H-2", vec![line("KIT", "2", "12.00")]), 1, OrderStatus::OrderPaymentDue);
        take(&shop, &unpaid).await;
        let mut paid = state(&unpaid, 2, OrderStatus::OrderProcessing);
        paid.refunds = vec![refund("R1", "KIT", "1")];
        for expected in ["changed, 1 refunds", "known, 0 refunds"] {
            assert_eq!(told(&take(&shop, &paid).await), expected, "{}", shop.engine);
        }
        assert!(books(&shop).await.contains("60.00 − 0.00 − 48.00 = 12.00"), "{}", books(&shop).await);
        shop.end().await;
    }
}

#[tokio::test]
async fn the_same_order_again_is_known_also_where_it_never_sold_anything() {
    for shop in shops().await {
        stock_up(&shop).await;
        for (number, status) in [("H-1", OrderStatus::OrderCancelled), ("H-2", OrderStatus::OrderPaymentDue)]
        {
            let mut never = IncomingOrder { status, ..order(number, vec![line("KIT", "1", "12.00")]) };
            never.refunds = vec![refund("R1", "KIT", "1")];
            let mut past = never.clone();
            past.number = domain::order::OrderNumber::parse(&format!("{number}-past")).unwrap();
            for expected in ["taken", "known, 0 refunds", "known, 0 refunds"] {
                for outcome in [take(&shop, &never).await, take_past(&shop, &past).await] {
                    let told = told(&outcome);
                    assert!(told.starts_with(expected), "{}, {status}: {told}", shop.engine);
                }
            }
        }
        assert_eq!(books(&shop).await, "nothing");
        shop.end().await;
    }
}

#[tokio::test]
async fn lines_of_the_same_goods_are_told_apart_by_their_quantity() {
    for shop in shops().await {
        stock_up(&shop).await;
        let kits = |of: [&str; 3]| of.map(|q| line("KIT", q, "12.00")).to_vec();
        let mut first = later(&order("H-1", kits(["1", "1", "2"])), 1);
        first.lines.push(line("P1", "1", "40.00"));
        take(&shop, &first).await;
        for (hours, of) in [(2, ["2", "1", "1"]), (3, ["1", "2", "1"])] {
            let mut next = later(&first, hours);
            next.lines = kits(of);
            next.lines.push(line("P1", "1", "40.00"));
            assert_eq!(told(&take(&shop, &next).await), "changed, 0 refunds", "{}", shop.engine);
        }
        assert_eq!(stock(&shop, "KIT").await, "1 / 0");
        assert!(books(&shop).await.contains("88.00 − 0.00 − 0.00 = 88.00"), "{}", books(&shop).await);
        shop.end().await;
    }
}

#[tokio::test]
async fn shipping_that_went_down_is_given_back_and_up_is_charged() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut first = later(&order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "1", "12.00")]), 1);
        first.shipping = usd("6.00");
        take(&shop, &first).await;
        // Each state: hours, shipping, the outcome, and then the shipping in the books.
        let states = [
            (2, "2.00", "changed, 0 refunds", "2.00"),
            (3, "9.00", "changed, 0 refunds", "9.00"),
            (4, "5.00", "changed, 0 refunds", "5.00"),
            (5, "0.00", "changed, 0 refunds", "0.00"),
        ];
        for (hours, shipping, expected, booked) in states {
            let mut next = later(&first, hours);
            next.shipping = usd(shipping);
            let told = told(&take(&shop, &next).await);
            assert!(told.contains(expected), "{}, {shipping}: {told}", shop.engine);
            let books = books(&shop).await;
            assert!(books.contains(&format!("= 52.00, shipping {booked},")), "{shipping}: {books}");
        }
        shop.end().await;
    }
}

#[tokio::test]
async fn a_change_tells_of_the_lines_that_fall_short() {
    for shop in shops().await {
        stock_up(&shop).await;
        let unpaid = state(&order("H-1", vec![line("P1", "1", "40.00")]), 1, OrderStatus::OrderPaymentDue);
        take(&shop, &unpaid).await;
        let hold = shop.ledger.open_holds(None, 1).await.unwrap().remove(0);
        shop.ledger.execute(None, &ledger::orders::EndHold { id: hold.id }).await.unwrap();
        take(&shop, &order("H-2", vec![line("P1", "1", "40.00")])).await;
        let paid = take(&shop, &state(&unpaid, 2, OrderStatus::OrderProcessing)).await;
        assert!(matches!(paid, OrderOutcome::Changed { short: 1, .. }), "{}: {paid:?}", shop.engine);
        let over = take(&shop, &state(&unpaid, 3, OrderStatus::OrderCancelled)).await;
        assert!(matches!(over, OrderOutcome::Changed { short: 0, .. }), "{}: {over:?}", shop.engine);
        shop.end().await;
    }
}
