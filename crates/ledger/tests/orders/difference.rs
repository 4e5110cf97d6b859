//! What a later state books: the difference from each line's present state, in every money field.

use crate::build::{ZERO, books, later, line, order, refund, stock, stock_up, take, told};
use domain::order::{IncomingOrder, OrderStatus};
use ledger::orders::{EndHold, OrderLineState};
use ledger::sales::{RefundLine, RefundOf, RefundTender};
use testkit::make::usd;
use testkit::{TestShop, shops};

const CHANGED: &str = "changed, 0 refunds";

async fn clean(shop: &TestShop) {
    let report = shop.ledger.check(|_| ()).await.unwrap();
    assert!(report.is_clean(), "{}: {:?}", shop.engine, report.findings);
}

/// The order with this many kits at this price.
fn kits(of: &IncomingOrder, hours: i64, quantity: &str, price: &str) -> IncomingOrder {
    IncomingOrder { lines: vec![line("KIT", quantity, price)], ..later(of, hours) }
}

/// The short lines, in words.
async fn waiting(shop: &TestShop) -> String {
    let orders = shop.ledger.orders(None, true, 9).await.unwrap();
    let open =
        |l: &&ledger::orders::OrderLineView| matches!(l.state, OrderLineState::Short | OrderLineState::Held);
    let lines = orders.iter().flat_map(|o| &o.lines).filter(open);
    lines
        .map(|l| format!("{:?} {} {} {}", l.state, l.quantity, l.code, l.amount))
        .collect::<Vec<_>>()
        .join(", ")
}

#[tokio::test]
async fn a_quantity_goes_down_and_up_again_and_loses_nothing() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("KIT", "5", "10.00")]), 1);
        take(&shop, &first).await;
        // Each state: kits, and what is then left on the shelf and in the books.
        let states = [
            ("3", "2 / 0", "30.00"),
            ("4", "1 / 0", "40.00"),
            ("5", "0 / 0", "50.00"),
            ("1", "4 / 0", "10.00"),
        ];
        for ((quantity, left, net), hours) in states.into_iter().zip(2..) {
            let next = kits(&first, hours, quantity, "10.00");
            assert_eq!(told(&take(&shop, &next).await), CHANGED, "{} {quantity}", shop.engine);
            assert_eq!(stock(&shop, "KIT").await, left, "{} {quantity}", shop.engine);
            let books = books(&shop).await;
            assert!(books.starts_with(&format!("1 sales, {quantity} units")), "{books}");
            let view = shop.ledger.orders(None, false, 1).await.unwrap().remove(0);
            let shown = view.lines.iter().filter(|l| l.state == OrderLineState::Filled);
            let shown: i64 = shown.map(|l| l.quantity.stock_units()).sum();
            assert_eq!(shown.to_string(), quantity, "{}: what the order shows", shop.engine);
            assert!(books.contains(&format!("= {net},")), "{quantity}: {books}");
            clean(&shop).await;
        }
        let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..later(&first, 9) };
        assert_eq!(told(&take(&shop, &over).await), CHANGED);
        assert_eq!(stock(&shop, "KIT").await, "5 / 0");
        assert!(books(&shop).await.contains("= 0.00,"), "{}", books(&shop).await);
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn every_money_field_of_a_later_state_is_booked() {
    for shop in shops().await {
        stock_up(&shop).await;
        let mut first = later(&order("H-1", vec![line("KIT", "5", "10.00")]), 1);
        first.lines[0].tax = usd("4.13");
        first.shipping = usd("6.00");
        first.fee = usd("2.00");
        take(&shop, &first).await;
        // Fewer at another price in the same message: 3 × 5.00 is 15.00, and nothing else.
        let mut state = kits(&first, 2, "3", "5.00");
        (state.shipping, state.fee) = (usd("6.00"), usd("2.00"));
        let check = async |hours: i64, state: &mut IncomingOrder, expected: &str| {
            *state = later(state, hours);
            assert_eq!(told(&take(&shop, state).await), CHANGED, "{} {hours}", shop.engine);
            let books = books(&shop).await;
            assert!(
                books.starts_with("1 sales") && books.contains(expected),
                "{} {hours}: {books}",
                shop.engine
            );
            clean(&shop).await;
        };
        check(2, &mut state, "= 15.00, shipping 6.00, tax 0.00, fees 2.00").await;
        state.lines[0].discount = usd("1.50");
        check(3, &mut state, "= 13.50, shipping 6.00, tax 0.00, fees 2.00").await;
        state.lines[0].tax = usd("1.11");
        check(4, &mut state, "= 13.50, shipping 6.00, tax 1.11, fees 2.00").await;
        state.shipping = usd("9.00");
        check(5, &mut state, "= 13.50, shipping 9.00, tax 1.11, fees 2.00").await;
        state.fee = usd("3.25");
        check(6, &mut state, "= 13.50, shipping 9.00, tax 1.11, fees 3.25").await;
        state.fee = usd("0.00");
        check(7, &mut state, "= 13.50, shipping 9.00, tax 1.11, fees 0.00").await;
        state.shipping = usd("4.00");
        check(8, &mut state, "= 13.50, shipping 4.00, tax 1.11, fees 0.00").await;
        state.discount = usd("2.00");
        check(9, &mut state, "= 11.50, shipping 4.00, tax 1.11, fees 0.00").await;
        state.lines = vec![line("KIT", "4", "5.00"), line("P1", "1", "40.00")];
        state.discount = ZERO;
        check(10, &mut state, "= 60.00, shipping 4.00, tax 0.00, fees 0.00").await;
        assert_eq!(
            (stock(&shop, "KIT").await, stock(&shop, "P1").await),
            ("1 / 0".to_owned(), "0 / 0".to_owned())
        );
        shop.end().await;
    }
}

#[tokio::test]
async fn what_became_more_is_sold_or_short_by_itself() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("KIT", "3", "12.00")]), 1);
        take(&shop, &first).await;
        // Two are left: one more is sold; of another two only one exists.
        assert_eq!(told(&take(&shop, &kits(&first, 2, "4", "12.00")).await), CHANGED);
        assert_eq!(waiting(&shop).await, "");
        assert_eq!(told(&take(&shop, &kits(&first, 3, "6", "12.00")).await), CHANGED);
        assert_eq!(
            (stock(&shop, "KIT").await.as_str(), waiting(&shop).await.as_str()),
            ("1 / 0", "Short 2 KIT 24.00")
        );
        assert!(books(&shop).await.starts_with("1 sales, 4 units, 48.00"), "{}", books(&shop).await);
        // Fewer again: what is short is reduced first.
        assert_eq!(told(&take(&shop, &kits(&first, 4, "5", "12.00")).await), CHANGED);
        assert_eq!(
            (stock(&shop, "KIT").await.as_str(), waiting(&shop).await.as_str()),
            ("1 / 0", "Short 1 KIT 12.00")
        );
        assert_eq!(told(&take(&shop, &kits(&first, 5, "3", "12.00")).await), CHANGED);
        assert_eq!((stock(&shop, "KIT").await.as_str(), waiting(&shop).await.as_str()), ("2 / 0", ""));
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_later_state_fills_no_line_that_is_short() {
    for shop in shops().await {
        stock_up(&shop).await;
        let other = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        take(&shop, &other).await;
        let short = later(&order("H-2", vec![line("P1", "1", "38.00")]), 1);
        take(&shop, &short).await;
        let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..later(&other, 2) };
        take(&shop, &over).await;
        assert_eq!(stock(&shop, "P1").await, "1 / 0");
        // Shipped, and cheaper: whatever the shop says, the piece stays on hold until a person decides.
        let sent = IncomingOrder { status: OrderStatus::OrderInTransit, ..later(&short, 3) };
        assert_eq!(told(&take(&shop, &sent).await), CHANGED, "{}", shop.engine);
        let mut cheaper = later(&sent, 4);
        cheaper.lines[0] = line("P1", "1", "30.00");
        assert_eq!(told(&take(&shop, &cheaper).await), CHANGED, "{}", shop.engine);
        assert_eq!(
            (stock(&shop, "P1").await.as_str(), waiting(&shop).await.as_str()),
            ("1 / 0", "Short 1 P1 30.00")
        );
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn an_unpaid_line_that_was_short_stays_short_once_it_is_paid() {
    for shop in shops().await {
        stock_up(&shop).await;
        let other = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        take(&shop, &other).await;
        let lines = vec![line("P1", "1", "38.00"), line("KIT", "2", "12.00")];
        let unpaid = IncomingOrder { status: OrderStatus::OrderPaymentDue, ..later(&order("H-2", lines), 1) };
        take(&shop, &unpaid).await;
        take(&shop, &IncomingOrder { status: OrderStatus::OrderCancelled, ..later(&other, 2) }).await;
        let mut more = later(&unpaid, 3);
        more.lines[1] = line("KIT", "3", "12.00");
        assert_eq!(told(&take(&shop, &more).await), CHANGED, "{}", shop.engine);
        assert_eq!(
            (stock(&shop, "P1").await.as_str(), stock(&shop, "KIT").await.as_str()),
            ("1 / 0", "5 / 3")
        );
        clean(&shop).await;
        let paid = IncomingOrder { status: OrderStatus::OrderProcessing, ..later(&more, 4) };
        assert_eq!(told(&take(&shop, &paid).await), CHANGED, "{}", shop.engine);
        assert_eq!(
            (stock(&shop, "P1").await.as_str(), stock(&shop, "KIT").await.as_str()),
            ("1 / 0", "2 / 0")
        );
        assert_eq!(waiting(&shop).await, "Short 1 P1 38.00");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_line_follows_its_hold() {
    for shop in shops().await {
        stock_up(&shop).await;
        let unpaid = later(&order("H-1", vec![line("P1", "1", "40.00"), line("KIT", "2", "12.00")]), 1);
        let unpaid = IncomingOrder { status: OrderStatus::OrderPaymentDue, ..unpaid };
        take(&shop, &unpaid).await;
        let hold = shop.ledger.open_holds(None, 1).await.unwrap().remove(0);
        shop.ledger.execute(None, &EndHold { id: hold.id }).await.unwrap();
        let view = shop.ledger.orders(None, false, 1).await.unwrap().remove(0);
        assert!(view.lines.iter().all(|l| l.state == OrderLineState::Short), "{}: {view:?}", shop.engine);
        clean(&shop).await;
        let paid = IncomingOrder { status: OrderStatus::OrderProcessing, ..later(&unpaid, 2) };
        assert_eq!(told(&take(&shop, &paid).await), CHANGED);
        assert_eq!((stock(&shop, "P1").await.as_str(), books(&shop).await.as_str()), ("1 / 0", "nothing"));
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn what_was_given_back_beside_a_state_is_not_sold_again() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("KIT", "5", "10.00")]), 1);
        take(&shop, &first).await;
        // One is refunded under a number, and the shop still says five.
        let mut sent = IncomingOrder { status: OrderStatus::OrderInTransit, ..later(&first, 2) };
        sent.refunds = vec![refund("R1", "KIT", "1")];
        assert_eq!(told(&take(&shop, &sent).await), "changed, 1 refunds", "{}", shop.engine);
        let sent = IncomingOrder { status: OrderStatus::OrderDelivered, ..later(&sent, 3) };
        assert_eq!(told(&take(&shop, &sent).await), CHANGED, "{}", shop.engine);
        assert!(books(&shop).await.contains("1 sales, 4 units") && books(&shop).await.contains("= 40.00"));
        // A person here refunds one more: a later state that says four means the same.
        let sale = shop.ledger.sales(None, 1).await.unwrap().remove(0);
        let by_hand = ledger::sales::NewRefund {
            sale: sale.id,
            lines: vec![RefundLine {
                line: sale.lines[0].line.id,
                what: RefundOf::Goods(crate::build::asked("1")),
                fate: domain::stock::ReturnDisposition::Shelf,
            }],
            fate: domain::stock::ReturnDisposition::Open,
            shipping: ZERO,
            tender: RefundTender::All(domain::basket::TenderKind::Online),
            certificate: None,
            reason: "a dropped stitch".to_owned(),
            who: "maker".to_owned(),
        };
        shop.ledger.execute(None, &by_hand).await.unwrap();
        for (hours, quantity, net) in [(4, "4", "= 30.00"), (5, "3", "= 20.00"), (6, "5", "= 40.00")] {
            let mut next = kits(&sent, hours, quantity, "10.00");
            next.refunds = sent.refunds.clone();
            assert_eq!(told(&take(&shop, &next).await), CHANGED, "{} {quantity}", shop.engine);
            assert!(books(&shop).await.contains(net), "{quantity}: {}", books(&shop).await);
            clean(&shop).await;
        }
        // Only a person can say at which price a part was refunded.
        let refused = told(&take(&shop, &kits(&sent, 7, "5", "9.00")).await);
        assert!(refused.contains("Orders(MoneyChanged"), "{refused}");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_refund_may_be_of_several_sales_of_the_order() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("KIT", "2", "10.00")]), 1);
        take(&shop, &first).await;
        take(&shop, &kits(&first, 2, "5", "10.00")).await;
        let mut back = kits(&first, 3, "5", "10.00");
        back.refunds = vec![refund("R1", "KIT", "4")];
        assert_eq!(told(&take(&shop, &back).await), "known, 1 refunds", "{}", shop.engine);
        assert_eq!(told(&take(&shop, &back).await), "known, 0 refunds", "{}", shop.engine);
        assert!(books(&shop).await.contains("= 10.00"), "{}", books(&shop).await);
        back.refunds.push(refund("R2", "KIT", "2"));
        let refused = told(&take(&shop, &back).await);
        assert!(
            refused.contains(
                "Quantity { stock_units: 2, measure: Units }), left: Goods(Quantity { stock_units: 1,"
            ),
            "{refused}"
        );
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn an_order_stays_on_its_channel() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("KIT", "1", "12.00")]), 1);
        take(&shop, &first).await;
        let moved =
            IncomingOrder { channel: domain::channel::Channel::parse("market").unwrap(), ..later(&first, 2) };
        let refused = told(&take(&shop, &moved).await);
        assert!(refused.contains("OfAnotherChannel"), "{}: {refused}", shop.engine);
        assert_eq!(stock(&shop, "KIT").await, "4 / 0");
        // The same number for other goods of the order is another order.
        let other = IncomingOrder { lines: vec![line("P1", "1", "40.00")], ..moved };
        assert!(told(&take(&shop, &other).await).starts_with("taken"));
        shop.end().await;
    }
}

#[tokio::test]
async fn a_status_that_nobody_knows_holds_the_stock() {
    for shop in shops().await {
        stock_up(&shop).await;
        let first = later(&order("H-1", vec![line("P1", "1", "40.00")]), 1);
        let odd = IncomingOrder { status: OrderStatus::Unknown, ..first.clone() };
        assert_eq!(told(&take(&shop, &odd).await), "taken, 0 filled, 1 held, 0 short, 0 refunds");
        assert_eq!((stock(&shop, "P1").await.as_str(), books(&shop).await.as_str()), ("1 / 1", "nothing"));
        assert_eq!(shop.ledger.orders(None, true, 9).await.unwrap().len(), 1, "{}: it asks", shop.engine);
        clean(&shop).await;
        // The status was added to the layout since: the same time now has that status.
        assert_eq!(told(&take(&shop, &first).await), CHANGED, "{}", shop.engine);
        assert_eq!(stock(&shop, "P1").await, "0 / 0");
        // For a known order, such a status changes nothing.
        let refused =
            told(&take(&shop, &IncomingOrder { status: OrderStatus::Unknown, ..later(&first, 2) }).await);
        assert!(refused.contains("Orders(UnknownStatus)"), "{refused}");
        clean(&shop).await;
        shop.end().await;
    }
}
