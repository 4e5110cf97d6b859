//! Online orders in the half year.

use super::basket::{self, Priced};
use super::live::Live;
use super::people;
use super::promises::Promise;
use super::season::{Door, Visit};
use super::trouble::{DemoError, Doing};
use domain::codes::Code;
use domain::money::{Currency, Money};
use domain::order::{IncomingOrder, IncomingRefund, OrderNumber, OrderStatus, Refunded};
use domain::quantity::Asked;
use domain::stock::ItemKind;
use ledger::orders::{OrderOutcome, TakeOrders};

/// Shipping of an order, and the value of goods from which it is free, in cents. Both are invented.
const SHIPPING: i64 = 675;
const FREE_FROM: i64 = 12_000;
/// The share that the online shop keeps. Invented.
const FEE_PERCENT: i64 = 4;
/// Out of a hundred orders. Invented, like all figures here.
const NAMES_THE_JUST_SOLD: i64 = 60;
const UNPAID_AT_FIRST: i64 = 3;
const CANCELLED: i64 = 2;
const GIVEN_BACK: i64 = 12;

/// Shipping charged to the buyer, and the fee that the online shop keeps.
pub(super) fn shipping_and_fee(priced: &[Priced], currency: Currency) -> Result<(Money, Money), DemoError> {
    let goods: i64 = priced.iter().map(Priced::due).sum();
    let shipping = if goods >= FREE_FROM { 0 } else { SHIPPING };
    let fee = ((goods + shipping) * FEE_PERCENT + 50) / 100;
    let money = |minor| Money::from_minor(minor, currency).doing("price an order");
    Ok((money(shipping)?, money(fee)?))
}

impl Live {
    /// An order comes in. Sometimes it asks for a piece that was sold at the counter a moment earlier, before
    /// the online shop knew: that line is out of stock.
    pub(super) async fn order(&mut self, visit: Visit) -> Result<(), DemoError> {
        let mut wanted = basket::choose(&mut self.dice, &self.shelf, Door::Online);
        for w in &wanted {
            self.shelf.change(w.good, -w.stock_units);
        }
        let off = basket::off(&mut self.dice, Door::Online);
        let just_sold = self.just_sold.take().filter(|_| self.dice.chance(NAMES_THE_JUST_SOLD));
        wanted.extend(just_sold);
        let priced = wanted
            .iter()
            .map(|w| Priced::of(self.shelf.good(w.good)?, w.stock_units, off))
            .collect::<Result<Vec<_>, _>>()?;
        if priced.is_empty() {
            return Ok(());
        }
        let unpaid = self.dice.chance(UNPAID_AT_FIRST);
        let order = self.incoming(visit, &priced, unpaid)?;
        self.take(&order).await?;
        let day = self.day;
        if let Some(line) = just_sold {
            let code = self.shelf.good(line.good)?.code.clone();
            self.promise(day, 30, Promise::GiveUpShort { order: order.clone(), code })?;
        }
        let piece = priced.iter().position(|p| p.kind == ItemKind::Piece);
        let piece = piece.and_then(|at| wanted.get(at).copied());
        if unpaid {
            self.promise(day, 1, Promise::PaidAtLast { order })?;
        } else if just_sold.is_none() && self.dice.chance(CANCELLED) {
            self.promise(day, 1, Promise::Cancelled { order, wanted })?;
        } else if let Some(piece) = piece.filter(|_| just_sold.is_none() && self.dice.chance(GIVEN_BACK)) {
            self.promise(day, 9, Promise::SentBack { order, piece })?;
        }
        Ok(())
    }

    fn incoming(
        &mut self,
        visit: Visit,
        priced: &[Priced],
        unpaid: bool,
    ) -> Result<IncomingOrder, DemoError> {
        let (shipping, fee) = shipping_and_fee(priced, self.currency)?;
        self.orders += 1;
        let number = format!("{}", 1_000 + self.orders);
        Ok(IncomingOrder {
            channel: Door::Online.channel()?,
            number: OrderNumber::parse(&number).doing("number an order")?,
            ordered: visit.at,
            modified: Some(visit.at),
            status: if unpaid { OrderStatus::OrderPaymentDue } else { OrderStatus::OrderProcessing },
            lines: priced.iter().map(|p| p.ordered(true)).collect(),
            refunds: Vec::new(),
            discount: Money::zero(self.currency),
            shipping,
            fee,
            customer: people::customer(&mut self.dice),
        })
    }

    /// Takes an order, or a later state of one.
    pub(super) async fn take(&mut self, order: &IncomingOrder) -> Result<(), DemoError> {
        let batch =
            TakeOrders { orders: vec![order.clone()], past: false, who: "the online shop".to_owned() };
        for outcome in self.ledger.take_orders(&batch).await.doing("take an order in")? {
            if let OrderOutcome::Rejected(source) = outcome {
                return Err(DemoError::Order { number: order.number.to_string(), source: Box::new(source) });
            }
        }
        Ok(())
    }

    /// The online shop refunds one of an order's lines.
    pub(super) async fn give_back_online(
        &mut self,
        order: &IncomingOrder,
        code: &Code,
    ) -> Result<(), DemoError> {
        let number = OrderNumber::parse(&format!("{}-back", order.number)).doing("number a refund")?;
        let refund = IncomingRefund {
            number,
            code: Some(code.clone()),
            name: String::new(),
            what: Refunded::Goods(Asked::ONE),
        };
        let told = IncomingOrder {
            lines: Vec::new(),
            refunds: vec![refund],
            modified: Some(self.clock_now()),
            ..order.clone()
        };
        self.take(&told).await
    }
}
