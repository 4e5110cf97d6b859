//! Later states of an order.

use crate::build::{books, later, line, noted, order, stock, stock_up, take, told};
use domain::order::{IncomingOrder, OrderStatus};
use ledger::orders::TakeOrders;
use ledger::{Access, Ledger, ManualClock};
use std::sync::Arc;
use testkit::make::usd;
use testkit::{START, shops};

fn with_status(order: &IncomingOrder, hours: i64, status: OrderStatus) -> IncomingOrder {
    IncomingOrder { status, ..later(order, hours) }
}

#[tokio::test]
async fn the_later_state_wins() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        let delivered = with_status(&first, 3, OrderStatus::OrderDelivered);
        let in_transit = with_status(&first, 2, OrderStatus::OrderInTransit);
        let undated = IncomingOrder { modified: None, ..delivered.clone() };
        let stock_units: [(&IncomingOrder, &str); 5] = [
            (&first, "taken, sale true, 1 filled, 0 short, 0 refunds"),
            (&delivered, "changed, 0 refunds"),
            // An older state that arrives late changes nothing.
            (&in_transit, "known, 0 refunds"),
            (&delivered, "known, 0 refunds"),
            (&undated, "known, 0 refunds"),
        ];
        for (state, expected) in stock_units {
            assert_eq!(told(&take(&shop, state).await), expected, "{} {:?}", shop.engine, state.status);
        }
        let view = shop.ledger.orders(None, false, 1).await.unwrap().remove(0);
        assert_eq!(view.status, OrderStatus::OrderDelivered);
        assert!(books(&shop).await.starts_with("1 sales, 1 units, 40.00"), "{}", books(&shop).await);
        shop.end().await;
    }
}

#[tokio::test]
async fn cancelling_undoes_what_is_left() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut first = later(&order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "3", "12.00")]), 1);
        first.shipping = usd("6.00");
        take(&shop, &first).await;
        let cancelled = with_status(&first, 2, OrderStatus::OrderCancelled);
        assert_eq!(told(&take(&shop, &cancelled).await), "changed, 0 refunds");
        assert_eq!(
            (stock(&shop, "P1").await, stock(&shop, "KIT").await),
            ("1 / 0".to_owned(), "5 / 0".to_owned())
        );
        assert_eq!(
            books(&shop).await,
            "1 sales, 0 units, 76.00 − 0.00 − 76.00 = 0.00, shipping 0.00, tax 0.00, fees 0.00, cost 0.00",
            "{}",
            shop.engine
        );
        // Canceled again: nothing changes.
        assert_eq!(told(&take(&shop, &cancelled).await), "known, 0 refunds");
        assert_eq!(noted(&shop).await, ["$82.00 refunded; order H-1: OrderCancelled"], "{}", shop.engine);
        // The piece can be sold to somebody else; an order that is reinstated then is short.
        let next = order("H-2", vec![line("P1", "1", "40.00")]);
        assert_eq!(told(&take(&shop, &next).await), "taken, sale true, 1 filled, 0 short, 0 refunds");
        let alive = with_status(&first, 3, OrderStatus::OrderProcessing);
        assert_eq!(told(&take(&shop, &alive).await), "changed, 0 refunds", "{}", shop.engine);
        assert_eq!(stock(&shop, "KIT").await, "2 / 0");
        let waiting = shop.ledger.orders(None, true, 9).await.unwrap();
        assert_eq!((waiting.len(), waiting[0].number.as_str()), (1, "H-1"));
        assert!(
            books(&shop).await.contains("2 sales, 4 units, 152.00 − 0.00 − 76.00 = 76.00, shipping 6.00"),
            "{}",
            books(&shop).await
        );
        let report = shop.ledger.check(|_| ()).await.unwrap();
        assert!(report.is_clean(), "{}: {:?}", shop.engine, report.findings);
        shop.end().await;
    }
}

#[tokio::test]
async fn what_is_returned_waits_for_a_person() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        take(&shop, &first).await;
        take(&shop, &with_status(&first, 2, OrderStatus::OrderReturned)).await;
        assert_eq!(stock(&shop, "P1").await, "0 / 0");
        let sale = shop.ledger.sales(None, 1).await.unwrap().remove(0);
        let (refund_line, _, fate) = sale.refunds[0].lines[0];
        assert_eq!(fate, domain::stock::ReturnDisposition::Open);
        let decided = ledger::sales::DecideReturn {
            line: refund_line,
            fate: domain::stock::ReturnDisposition::Shelf,
            who: "test".to_owned(),
        };
        shop.ledger.execute(None, &decided).await.unwrap();
        assert_eq!(stock(&shop, "P1").await, "1 / 0", "{}", shop.engine);
        assert!(shop.ledger.execute(None, &decided).await.is_err(), "decided once");
        shop.end().await;
    }
}

#[tokio::test]
async fn an_unpaid_order_is_paid_or_dropped() {
    for shop in shops().await {
        stock_up(&shop).await;
        let unpaid = with_status(
            &order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "2", "12.00")]),
            1,
            OrderStatus::OrderPaymentDue,
        );
        take(&shop, &unpaid).await;
        assert_eq!(stock(&shop, "P1").await, "1 / 1");
        let paid = with_status(&unpaid, 2, OrderStatus::OrderProcessing);
        assert_eq!(told(&take(&shop, &paid).await), "changed, 0 refunds");
        assert_eq!(
            (stock(&shop, "P1").await, stock(&shop, "KIT").await),
            ("0 / 0".to_owned(), "3 / 0".to_owned())
        );
        assert!(
            books(&shop).await.starts_with("1 sales, 3 units, 64.00"),
            "{}: {}",
            shop.engine,
            books(&shop).await
        );
        assert!(shop.ledger.open_holds(None, 10).await.unwrap().is_empty());
        let dropped =
            with_status(&order("H-2", vec![line("P2", "1", "40.00")]), 1, OrderStatus::OrderPaymentDue);
        take(&shop, &dropped).await;
        take(&shop, &with_status(&dropped, 2, OrderStatus::OrderCancelled)).await;
        assert_eq!(stock(&shop, "P2").await, "1 / 0");
        assert!(books(&shop).await.starts_with("1 sales"), "{}", books(&shop).await);
        shop.end().await;
    }
}

#[tokio::test]
async fn fewer_lines_are_refunded_and_more_are_sold() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "3", "12.00")]), 1);
        take(&shop, &first).await;
        let mut second = later(&first, 2);
        second.lines = vec![line("KIT", "1", "12.00"), line("P2", "1", "40.00")];
        assert_eq!(told(&take(&shop, &second).await), "changed, 0 refunds", "{}", shop.engine);
        assert_eq!(stock(&shop, "P1").await, "1 / 0");
        assert_eq!(stock(&shop, "KIT").await, "4 / 0");
        assert_eq!(stock(&shop, "P2").await, "0 / 0", "a further sale of the order");
        assert!(
            books(&shop).await.contains("1 sales, 2 units, 116.00 − 0.00 − 64.00 = 52.00"),
            "{}",
            books(&shop).await
        );
        // Canceling that state undoes the rest: one kit, and the piece.
        take(&shop, &with_status(&second, 3, OrderStatus::OrderCancelled)).await;
        assert_eq!(
            (stock(&shop, "KIT").await, stock(&shop, "P2").await),
            ("5 / 0".to_owned(), "1 / 0".to_owned())
        );
        assert!(books(&shop).await.contains("116.00 − 0.00 − 116.00 = 0.00"), "{}", books(&shop).await);
        shop.end().await;
    }
}

/// The process that takes the later state has a clock a minute off: the first sale stays the first.
#[tokio::test]
async fn a_later_state_is_later_through_another_process_too() {
    for off in [-60_000, 60_000] {
        for shop in shops().await {
            stock_up(&shop).await;
            let first = later(&order("H-1", vec![line("KIT", "1", "12.00")]), 1);
            take(&shop, &first).await;
            let clock = Arc::new(ManualClock::at(START.plus_millis(off)));
            let other = Ledger::open(&shop.ground.url, Access::Write, clock).await.unwrap();
            let more = later(&order("H-1", vec![line("KIT", "3", "12.00")]), 2);
            let batch = TakeOrders { orders: vec![more], past: false, who: "feed".to_owned() };
            other.take_orders(&batch).await.unwrap();
            other.close().await;
            assert_eq!(stock(&shop, "KIT").await, "2 / 0");
            let report = shop.ledger.check(|_| ()).await.unwrap();
            assert!(report.is_clean(), "{} {off}: {:?}", shop.engine, report.findings);
            shop.end().await;
        }
    }
}
