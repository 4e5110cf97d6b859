//! Shops, items and orders for the tests.

use domain::channel::Channel;
use domain::day::Moment;
use domain::money::{Currency, Money};
use domain::order::{
    Customer, IncomingLine, IncomingOrder, IncomingRefund, LinePrice, OrderNumber, OrderStatus, Refunded,
};
use domain::stock::ItemKind;
use domain::weight::WeightUnit;
use ledger::CommandError;
use ledger::books::{BooksBy, BooksQuery};
use ledger::orders::{OrderOutcome, TakeFetched, TakeOrders};
use ledger::people::Activity;
use ledger::shelf::{AddItems, NewItem, RowOutcome};
use testkit::make::{self, with};
pub(crate) use testkit::make::{asked, code, usd};
use testkit::{START, TestShop};

pub(crate) const ZERO: Money = Money::zero(Currency::USD);

pub(crate) fn item(sku: &str, kind: ItemKind, price: &str, quantity: &str) -> NewItem {
    with(make::item(kind, sku), |i| {
        i.pricing.price = Some(usd(price));
        i.pricing.cost = Some(usd("10.00"));
        i.stock.quantity = Some(asked(quantity));
        i.stock.stock_unit = (kind == ItemKind::Weight).then_some(WeightUnit::Ounce);
    })
}

/// Three pieces at 40.00, a counted item of 5 at 12.00, roving of 32 oz at 3.00 an ounce.
pub(crate) async fn stock_up(shop: &TestShop) {
    let items = vec![
        item("P1", ItemKind::Piece, "40.00", "1"),
        item("P2", ItemKind::Piece, "40.00", "1"),
        item("P3", ItemKind::Piece, "40.00", "1"),
        item("KIT", ItemKind::Counted, "12.00", "5"),
        item("ROV", ItemKind::Weight, "3.00", "32"),
    ];
    let added = AddItems { items, who: "test".to_owned(), progress: None };
    let outcomes = shop.ledger.execute(None, &added).await.unwrap().answer;
    assert!(outcomes.iter().all(|o| matches!(o, RowOutcome::Added(_))), "{outcomes:?}");
}

pub(crate) fn line(sku: &str, quantity: &str, price: &str) -> IncomingLine {
    IncomingLine {
        code: Some(code(sku)),
        name: String::new(),
        quantity: asked(quantity),
        price: LinePrice::Each(usd(price)),
        discount: ZERO,
        tax: ZERO,
    }
}

pub(crate) fn refund(number: &str, sku: &str, quantity: &str) -> IncomingRefund {
    IncomingRefund {
        number: OrderNumber::parse(number).unwrap(),
        code: Some(code(sku)),
        name: String::new(),
        what: Refunded::Goods(asked(quantity)),
    }
}

/// Money refunded alone, for one item or for the whole order.
pub(crate) fn money_back(number: &str, sku: Option<&str>, money: &str) -> IncomingRefund {
    IncomingRefund {
        number: OrderNumber::parse(number).unwrap(),
        code: sku.map(code),
        name: String::new(),
        what: Refunded::Money(usd(money)),
    }
}

pub(crate) fn order(number: &str, lines: Vec<IncomingLine>) -> IncomingOrder {
    IncomingOrder {
        channel: Channel::online(),
        number: OrderNumber::parse(number).unwrap(),
        ordered: START,
        modified: None,
        status: OrderStatus::OrderProcessing,
        lines,
        refunds: Vec::new(),
        discount: ZERO,
        shipping: ZERO,
        fee: ZERO,
        customer: Customer::default(),
    }
}

/// The order's next state, an hour after the previous one.
pub(crate) fn later(order: &IncomingOrder, hours: i64) -> IncomingOrder {
    IncomingOrder { modified: Some(START.plus_millis(hours * 3_600_000)), ..order.clone() }
}

/// Takes in an order, a second after whatever came before.
pub(crate) async fn take(shop: &TestShop, order: &IncomingOrder) -> OrderOutcome {
    shop.clock.advance_millis(1000);
    take_as(shop, order, false).await
}

pub(crate) async fn take_past(shop: &TestShop, order: &IncomingOrder) -> OrderOutcome {
    take_as(shop, order, true).await
}

/// Takes in an order that was fetched singly just now.
pub(crate) async fn take_fetched(shop: &TestShop, order: &IncomingOrder) -> OrderOutcome {
    shop.clock.advance_millis(1000);
    let batch = TakeFetched { orders: vec![order.clone()], who: "feed".to_owned() };
    shop.ledger.take_fetched(&batch).await.unwrap().remove(0)
}

async fn take_as(shop: &TestShop, order: &IncomingOrder, past: bool) -> OrderOutcome {
    let batch = TakeOrders { orders: vec![order.clone()], past, who: "feed".to_owned() };
    shop.ledger.take_orders(&batch).await.unwrap().remove(0)
}

/// “on hand / held” of an item; if it is rejected, the text.
pub(crate) async fn stock(shop: &TestShop, sku: &str) -> String {
    let item = shop.ledger.item(&code(sku)).await.unwrap();
    format!("{} / {}", item.on_hand, item.held)
}

/// The books of the whole shop: sales, units, gross, discounts, refunds, net, shipping, tax, fees, cost.
pub(crate) async fn books(shop: &TestShop) -> String {
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    let rows = shop.ledger.books(&query).await.unwrap();
    let Some(row) = rows.first() else { return "nothing".to_owned() };
    let f = &row.figures;
    format!(
        "{} sales, {} units, {} − {} − {} = {}, shipping {}, tax {}, fees {}, cost {}",
        f.sales,
        f.units,
        f.gross,
        f.discounts,
        f.refunds,
        f.net().unwrap(),
        f.shipping,
        f.tax,
        f.fees,
        f.cost
    )
}

/// Why a command was refused, as its variants and their figures.
pub(crate) fn why(failure: &CommandError) -> String {
    failure.rejection().map_or_else(|| failure.to_string(), |rejection| format!("{rejection:?}"))
}

/// An outcome in a few words; a refusal as its variants and their figures.
pub(crate) fn told(outcome: &OrderOutcome) -> String {
    match outcome {
        OrderOutcome::Taken { sale, filled, held: 0, short, refunds, .. } => {
            format!("taken, sale {}, {filled} filled, {short} short, {refunds} refunds", sale.is_some())
        }
        OrderOutcome::Taken { filled, held, short, refunds, .. } => {
            format!("taken, {filled} filled, {held} held, {short} short, {refunds} refunds")
        }
        OrderOutcome::Known { refunds, .. } => format!("known, {refunds} refunds"),
        OrderOutcome::Changed { refunds, .. } => format!("changed, {refunds} refunds"),
        OrderOutcome::Rejected(rejection) => format!("rejected: {rejection:?}"),
    }
}

pub(crate) fn moment(hours: i64) -> Moment {
    START.plus_millis(hours * 3_600_000)
}

/// The activity log's entries about refunded money, the latest first.
pub(crate) async fn noted(shop: &TestShop) -> Vec<String> {
    noted_as(shop, Activity::Refund).await
}

/// The activity log's entries of one kind, the latest first.
pub(crate) async fn noted_as(shop: &TestShop, act: Activity) -> Vec<String> {
    let rows = shop.ledger.activity(None, 100).await.unwrap();
    let rows = rows.into_iter().filter(|row| row.act == act);
    rows.inspect(|row| assert!(!row.who.is_empty(), "{row:?}")).map(|row| row.detail).collect()
}
