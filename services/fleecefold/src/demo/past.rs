//! The year before the shop used this program: its paper books, imported as past orders. Lines keep their
//! names as text, have no code and no known cost, and leave stock alone.

use super::basket::{self, Priced};
use super::calendar::Calendar;
use super::people;
use super::rng::Rng;
use super::season::{self, Door, Visit};
use super::shelf::Shelf;
use super::trouble::{DemoError, Doing};
use super::{SEED, online};
use domain::day::Zone;
use domain::money::{Currency, Money};
use domain::order::{Customer, IncomingOrder, IncomingRefund, OrderNumber, OrderStatus, Refunded};
use domain::quantity::Asked;
use domain::stock::ItemKind;
use ledger::Ledger;
use ledger::orders::{OrderOutcome, TakeOrders};

/// Out of a hundred orders that begin with a piece, how many were refunded, and after how long. Invented.
const GIVEN_BACK_PERCENT: i64 = 6;
const GIVEN_BACK_AFTER_MS: i64 = 9 * 24 * 60 * 60 * 1000;
/// Orders in one transaction: nobody else has the shop open yet.
const AT_ONCE: usize = 500;

/// Returns how many orders there were.
pub(super) async fn feed_in(ledger: &Ledger, shelf: &Shelf, calendar: Calendar) -> Result<usize, DemoError> {
    let zone = ledger.shop().zone.clone();
    let orders = orders(shelf, ledger.shop().currency, &zone, calendar)?;
    for chunk in orders.chunks(AT_ONCE) {
        let batch = TakeOrders { orders: chunk.to_vec(), past: true, who: "the paper books".to_owned() };
        let outcomes = ledger.take_orders(&batch).await.doing("feed in its history")?;
        for (order, outcome) in chunk.iter().zip(outcomes) {
            if let OrderOutcome::Rejected(source) = outcome {
                return Err(DemoError::Order { number: order.number.to_string(), source: Box::new(source) });
            }
        }
    }
    Ok(orders.len())
}

fn orders(
    shelf: &Shelf,
    currency: Currency,
    zone: &Zone,
    calendar: Calendar,
) -> Result<Vec<IncomingOrder>, DemoError> {
    let mut dice = Rng::new(SEED);
    let mut orders = Vec::new();
    let mut day = calendar.first;
    while day < calendar.opening {
        for visit in season::visits(&mut dice, day, zone)? {
            let number = format!("P{:04}", orders.len() + 1);
            orders.extend(order(&mut dice, shelf, visit, &number, currency)?);
        }
        day = day.tomorrow().doing("turn a page of the calendar")?;
    }
    Ok(orders)
}

fn order(
    dice: &mut Rng,
    shelf: &Shelf,
    visit: Visit,
    number: &str,
    currency: Currency,
) -> Result<Option<IncomingOrder>, DemoError> {
    let off = basket::off(dice, visit.door);
    let wanted = basket::choose(dice, shelf, visit.door);
    let priced = wanted
        .iter()
        .map(|w| Priced::of(shelf.good(w.good)?, w.stock_units, off))
        .collect::<Result<Vec<_>, _>>()?;
    if priced.is_empty() {
        return Ok(None);
    }
    let zero = Money::zero(currency);
    let (mut shipping, mut fee, mut customer) = (zero, zero, Customer::default());
    if visit.door == Door::Online {
        (shipping, fee) = online::shipping_and_fee(&priced, currency)?;
        customer = people::customer(dice);
    }
    let refunds = given_back(dice, &priced)?;
    let back = visit.at.plus_millis(GIVEN_BACK_AFTER_MS);
    Ok(Some(IncomingOrder {
        channel: visit.door.channel()?,
        number: OrderNumber::parse(number).doing("number an order")?,
        ordered: visit.at,
        modified: (!refunds.is_empty()).then_some(back),
        status: OrderStatus::OrderDelivered,
        lines: priced.iter().map(|p| p.ordered(false)).collect(),
        refunds,
        discount: zero,
        shipping,
        fee,
        customer,
    }))
}

/// Now and then the first line, a piece, was returned.
fn given_back(dice: &mut Rng, priced: &[Priced]) -> Result<Vec<IncomingRefund>, DemoError> {
    let piece = priced.first().filter(|p| p.kind == ItemKind::Piece);
    let Some(piece) = piece.filter(|_| dice.chance(GIVEN_BACK_PERCENT)) else { return Ok(Vec::new()) };
    let number = OrderNumber::parse("back").doing("number a refund")?;
    Ok(vec![IncomingRefund {
        number,
        code: None,
        name: piece.name.clone(),
        what: Refunded::Goods(Asked::ONE),
    }])
}
