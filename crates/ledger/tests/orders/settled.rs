//! A person's decision about an order with an unknown status.

use crate::build::{books, later, line, noted_as, order, stock, stock_up, take, told, why};
use domain::order::{IncomingOrder, OrderStatus};
use ledger::CommandError;
use ledger::orders::{OrderLineState, SettleStatus, SettledStatus, StatusSettled};
use ledger::people::Activity;
use testkit::make::usd;
use testkit::{TestShop, shops};

async fn clean(shop: &TestShop) {
    let report = shop.ledger.check(|_| ()).await.unwrap();
    assert!(report.is_clean(), "{}: {:?}", shop.engine, report.findings);
}

/// Two kits with tax and a piece that is gone, a discount on the order and shipping; its status is unknown.
fn odd() -> IncomingOrder {
    let mut odd = order("H-1", vec![line("KIT", "2", "12.00"), line("P1", "1", "40.00")]);
    odd.status = OrderStatus::Unknown;
    odd.lines[0].tax = usd("1.20");
    (odd.discount, odd.shipping, odd.fee) = (usd("4.00"), usd("6.00"), usd("1.00"));
    odd
}

async fn settle(shop: &TestShop, is: SettledStatus) -> Result<StatusSettled, CommandError> {
    let order = shop.ledger.orders(None, false, 1).await.unwrap().remove(0).id;
    let (reason, who) = ("seen on the account".to_owned(), "Ada".to_owned());
    let command = SettleStatus { order, is, reason, who };
    shop.ledger.execute(None, &command).await.map(|done| done.answer)
}

/// The status, who set it here, and the state of each line.
async fn stands(shop: &TestShop) -> String {
    let id = shop.ledger.orders(None, false, 1).await.unwrap().remove(0).id;
    let detail = shop.ledger.order(id).await.unwrap();
    let state = |state: OrderLineState| format!("{state:?}");
    let lines: Vec<String> = detail.lines.iter().map(|l| state(l.line.state)).collect();
    format!("{} by {:?}: {}", detail.order.status, detail.status_by, lines.join(", "))
}

#[tokio::test]
async fn paid_sells_what_is_on_hold_for_its_own_money() {
    for shop in shops().await {
        stock_up(&shop).await;
        take(&shop, &order("H-0", vec![line("P1", "1", "40.00")])).await;
        assert_eq!(told(&take(&shop, &odd()).await), "taken, 0 filled, 1 held, 1 short, 0 refunds");
        let settled = settle(&shop, SettledStatus::Paid).await.unwrap();
        assert_eq!((settled.number.as_str(), settled.short, settled.sale.is_some()), ("H-1", 1, true));
        assert_eq!(stands(&shop).await, "OrderProcessing by \"Ada\": Filled, Short", "{}", shop.engine);
        assert_eq!(stock(&shop, "KIT").await, "3 / 0");
        // The discount is spread over both lines: 4.00 of 64.00, of which the kits have 24.00.
        let expected = "2 sales, 3 units, 64.00 − 1.50 − 0.00 = 62.50, shipping 6.00, tax 1.20, fees 1.00";
        assert!(books(&shop).await.starts_with(expected), "{}: {}", shop.engine, books(&shop).await);
        clean(&shop).await;
        assert_eq!(noted_as(&shop, Activity::OrderStatus).await, ["OrderProcessing; seen on the account"]);
        let refused = why(&settle(&shop, SettledStatus::Canceled).await.unwrap_err());
        assert!(refused.contains("StatusKnown"), "{refused}");
        // The same message again changes nothing, and the first known status counts.
        assert_eq!(told(&take(&shop, &odd()).await), "known, 0 refunds", "{}", shop.engine);
        let sent = IncomingOrder { status: OrderStatus::OrderInTransit, ..odd() };
        assert_eq!(told(&take(&shop, &sent).await), "changed, 0 refunds", "{}", shop.engine);
        assert_eq!(stands(&shop).await, "OrderInTransit by \"\": Filled, Short", "{}", shop.engine);
        assert!(books(&shop).await.starts_with(expected), "{}: {}", shop.engine, books(&shop).await);
        let delivered = IncomingOrder { status: OrderStatus::OrderDelivered, ..odd() };
        assert!(told(&take(&shop, &delivered).await).starts_with("rejected"), "a second one needs a date");
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn canceled_frees_what_is_on_hold_until_the_shop_says_otherwise() {
    for shop in shops().await {
        stock_up(&shop).await;
        take(&shop, &later(&odd(), 1)).await;
        assert_eq!(stock(&shop, "KIT").await, "5 / 2", "{}", shop.engine);
        let settled = settle(&shop, SettledStatus::Canceled).await.unwrap();
        assert_eq!((settled.short, settled.sale), (0, None));
        assert_eq!(stands(&shop).await, "OrderCancelled by \"Ada\": Undone, Undone", "{}", shop.engine);
        assert_eq!((stock(&shop, "KIT").await.as_str(), books(&shop).await.as_str()), ("5 / 0", "nothing"));
        assert!(shop.ledger.orders(None, true, 9).await.unwrap().is_empty(), "nothing waits");
        clean(&shop).await;
        let paid = IncomingOrder { status: OrderStatus::OrderProcessing, ..later(&odd(), 1) };
        assert_eq!(told(&take(&shop, &paid).await), "changed, 0 refunds", "{}", shop.engine);
        assert_eq!(stands(&shop).await, "OrderProcessing by \"\": Undone, Undone, Filled, Filled");
        assert!(
            books(&shop).await.contains("= 60.00, shipping 6.00, tax 1.20, fees 1.00"),
            "{}",
            books(&shop).await
        );
        clean(&shop).await;
        shop.end().await;
    }
}

#[tokio::test]
async fn a_known_status_is_not_settled_here() {
    for shop in shops().await {
        stock_up(&shop).await;
        for status in
            [OrderStatus::OrderPaymentDue, OrderStatus::OrderProcessing, OrderStatus::OrderCancelled]
        {
            let number = format!("H-{status}");
            take(&shop, &IncomingOrder { status, ..order(&number, vec![line("KIT", "1", "12.00")]) }).await;
            let refused = why(&settle(&shop, SettledStatus::Paid).await.unwrap_err());
            assert!(refused.contains(status.code()), "{}: {refused}", shop.engine);
        }
        shop.end().await;
    }
}
