//! What the ledger is asked about orders, as the model expects it.

use super::{Line, State};
use crate::harness::{MINUTE_MS, START, Shop};
use crate::machine::model::Model;
use crate::make::*;
use domain::channel::Channel;
use domain::money::Money;
use domain::order::{
    Customer, IncomingLine, IncomingOrder, IncomingRefund, LinePrice, OrderNumber, OrderStatus, Refunded,
};
use domain::quantity::Asked;
use domain::stock::ItemKind;
use ledger::Rejection;
use ledger::books::{BooksBy, BooksQuery};
use ledger::orders::{EndHold, OrderOutcome, TakeOrders};
use rust_decimal::Decimal;

fn number(order: usize) -> OrderNumber {
    OrderNumber::parse(&format!("M-{order}")).unwrap()
}

/// The state as the ledger accepts it.
fn incoming(model: &Model, state: &State) -> IncomingOrder {
    let asked = |item: usize, stock_units: i64| {
        let weighed = model.items.get(item).is_some_and(|i| i.kind == ItemKind::Weight);
        Asked {
            value: if weighed { Decimal::new(stock_units, 3) } else { Decimal::from(stock_units) },
            unit: None,
        }
    };
    let line = |(item, stock_units, amount, discount, tax): &Line| IncomingLine {
        code: Some(code(&format!("item-{item}"))),
        name: String::new(),
        quantity: asked(*item, *stock_units),
        price: LinePrice::Line(usd(*amount)),
        discount: usd(*discount),
        tax: usd(*tax),
    };
    IncomingOrder {
        channel: Channel::online(),
        number: number(state.order),
        ordered: START,
        modified: state.minute.map(|m| START.plus_millis(m * MINUTE_MS)),
        status: state.body.status,
        lines: state.body.lines.iter().map(line).collect(),
        refunds: Vec::new(),
        discount: usd(state.body.discount),
        shipping: usd(state.body.shipping),
        fee: usd(state.body.fee),
        customer: Customer::default(),
    }
}

pub(crate) async fn take(shop: &Shop, model: &Model, state: &State) -> Result<String, Rejection> {
    let batch = TakeOrders { orders: vec![incoming(model, state)], past: false, who: "feed".to_owned() };
    match shop.ledger.take_orders(&batch).await.unwrap().remove(0) {
        OrderOutcome::Taken { filled, held, short, .. } => {
            Ok(format!("taken {} short {short}", filled + held))
        }
        OrderOutcome::Known { .. } => Ok("known".to_owned()),
        OrderOutcome::Changed { short, .. } => Ok(format!("changed {short}")),
        OrderOutcome::Rejected(rejection) => Err(rejection),
    }
}

/// A refund of money alone, as a message of its own.
pub(crate) async fn money_back(
    shop: &Shop,
    order: usize,
    at: usize,
    amount: i64,
) -> Result<String, Rejection> {
    let refund = IncomingRefund {
        number: OrderNumber::parse(&format!("R-{at}")).unwrap(),
        code: None,
        name: String::new(),
        what: Refunded::Money(usd(amount)),
    };
    let alone = IncomingOrder {
        channel: Channel::online(),
        number: number(order),
        ordered: START,
        modified: None,
        status: OrderStatus::OrderProcessing,
        lines: Vec::new(),
        refunds: vec![refund],
        discount: usd(0),
        shipping: usd(0),
        fee: usd(0),
        customer: Customer::default(),
    };
    let batch = TakeOrders { orders: vec![alone], past: false, who: "feed".to_owned() };
    match shop.ledger.take_orders(&batch).await.unwrap().remove(0) {
        OrderOutcome::Known { refunds, .. } => Ok(format!("{refunds} refunds")),
        OrderOutcome::Rejected(rejection) => Err(rejection),
        other => panic!("{other:?}"),
    }
}

pub(crate) async fn end_hold(shop: &Shop, order: usize) -> Result<String, Rejection> {
    let whom = format!("order {}", number(order));
    let mut ended = 0;
    for hold in shop.ledger.open_holds(None, 99).await.unwrap() {
        if hold.for_whom == whom {
            ended += shop.ok(EndHold { id: hold.id }).await;
        }
    }
    Ok(if ended == 0 { String::new() } else { format!("ended {ended}") })
}

/// Like [`Model::online_books`], from the books and from the lines that wait.
pub(crate) async fn books(shop: &Shop) -> [i64; 5] {
    let by = BooksBy { channel: true, ..BooksBy::default() };
    let rows = shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap();
    let mut sum = [0; 5];
    for row in rows.iter().filter(|row| row.channel == Some(Channel::online())) {
        let f = &row.figures;
        let net = f.net().unwrap();
        let more = [net, f.tax, f.shipping, f.fees].map(Money::minor);
        sum = [sum[0] + more[0], sum[1] + more[1], sum[2] + more[2], sum[3] + more[3], sum[4] + f.sales];
    }
    for order in shop.ledger.orders(None, true, 99).await.unwrap() {
        for line in shop.ledger.order(order.id).await.unwrap().lines.iter().filter(|line| line.waits) {
            sum[0] += line.line.amount.minor() - line.discount.minor();
            sum[1] += line.tax.minor();
        }
    }
    sum
}
