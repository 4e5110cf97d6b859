//! Settles an order that came with an unknown status, and whose stock is on hold until then.

use super::{ExistingOrder, change, read_before};
use crate::people::activity_log::{self, Activity};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{OrdersReason, Rejection, Thing};
use async_trait::async_trait;
use domain::channel::Channel;
use domain::codes::Code;
use domain::ids::{OrderId, SaleId};
use domain::money::Money;
use domain::order::{Customer, IncomingLine, IncomingOrder, LinePrice, OrderNumber, OrderStatus};
use domain::quantity::{Asked, Quantity};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// The decision about an order with an unknown status.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum SettledStatus {
    /// Sell what is on hold.
    Paid,
    /// Release what is on hold.
    Canceled,
}

impl SettledStatus {
    /// The status in schema.org's terms.
    pub fn status(self) -> OrderStatus {
        match self {
            Self::Paid => OrderStatus::OrderProcessing,
            Self::Canceled => OrderStatus::OrderCancelled,
        }
    }

    /// By schema.org's name.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Paid, Self::Canceled].into_iter().find(|one| one.status().code() == code)
    }
}

/// Settles an order with an unknown status. The first known status that its shop sends still counts.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SettleStatus {
    /// The order.
    pub order: OrderId,
    /// Paid or canceled.
    pub is: SettledStatus,
    /// The reason, for later questions.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

/// The result.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StatusSettled {
    /// The order.
    pub order: OrderId,
    /// Its number.
    pub number: String,
    /// None if no line was sold.
    pub sale: Option<SaleId>,
    /// Lines that are out of stock.
    pub short: usize,
}

#[async_trait]
impl Command for SettleStatus {
    type Answer = StatusSettled;

    async fn run(&self, tx: &mut Tx) -> Result<StatusSettled, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = text::short(&self.reason).field("reason")?;
        let (before, known) = read(tx, self.order).await?;
        if before.status != OrderStatus::Unknown {
            let reason = OrdersReason::StatusKnown { number: known.number, status: before.status };
            return Err(Rejection::invalid("orderStatus", reason).into());
        }
        let status = self.is.status();
        // A state without lines means that the order is over, and says nothing about its money.
        let lines = if self.is == SettledStatus::Paid { lines(tx, self.order).await? } else { Vec::new() };
        let zero = Money::zero(tx.shop().currency);
        // Its discount is already spread over the lines.
        let said = IncomingOrder { status, lines, discount: zero, ..known.clone() };
        let after = change::book(tx, &before, &said, &who).await?;
        keep_what_the_shop_said(tx, &before, &known, &who).await?;
        let detail = format!("{status}; {reason}");
        let what = format!("order {}", known.number);
        let detail = detail.trim_end_matches("; ");
        activity_log::note(tx, &who, Activity::OrderStatus, &what, detail).await?;
        let number = known.number.to_string();
        Ok(StatusSettled { order: self.order, number, sale: after.sale, short: after.short })
    }
}

/// The same message again changes nothing, and the shop's own status is still to come.
async fn keep_what_the_shop_said(
    tx: &mut Tx,
    before: &ExistingOrder,
    known: &IncomingOrder,
    who: &str,
) -> Result<(), CommandError> {
    sqlx::query("UPDATE customer_order SET body_hash = $2, discount = $3, status_by = $4 WHERE id = $1")
        .bind(before.id.raw())
        .bind(before.body_hash.clone())
        .bind(known.discount.minor())
        .bind(if who.is_empty() { "somebody".to_owned() } else { who.to_owned() })
        .execute(tx.db())
        .await?;
    Ok(())
}

/// The order as its shop sent it, without its lines.
async fn read(tx: &mut Tx, id: OrderId) -> Result<(ExistingOrder, IncomingOrder), CommandError> {
    let row = sqlx::query(
        "SELECT channel, number, id, body_hash, status, backfilled, modified_ms, sale_id, ordered_ms, status_by, discount, \
         shipping, fee FROM customer_order WHERE id = $1 AND backfilled = 0",
    )
    .bind(id.raw())
    .fetch_optional(tx.db())
    .await?
    .ok_or_else(|| Rejection::no_such(Thing::LiveOrder, id))?;
    let currency = tx.shop().currency;
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("customer_order");
    let before = read_before(&row)?;
    let order = IncomingOrder {
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("customer_order.channel")?,
        number: OrderNumber::parse(&row.try_get::<String, _>("number")?).stored("customer_order.number")?,
        ordered: before.ordered,
        modified: None,
        status: before.status,
        lines: Vec::new(),
        refunds: Vec::new(),
        discount: money("discount")?,
        shipping: money("shipping")?,
        fee: money("fee")?,
        customer: Customer::default(),
    };
    Ok((before, order))
}

/// Its waiting lines, each with all of its money.
async fn lines(tx: &mut Tx, id: OrderId) -> Result<Vec<IncomingLine>, CommandError> {
    let rows = sqlx::query(
        "SELECT i.sku, o.stock_units, o.unit, o.amount, o.discount, o.tax FROM order_line o JOIN item i ON i.id = o.item_id \
         WHERE o.order_id = $1 AND o.state IN ('held', 'short') ORDER BY o.position, o.id",
    )
    .bind(id.raw())
    .fetch_all(tx.db())
    .await?;
    let currency = tx.shop().currency;
    let line = |row: &sqlx::any::AnyRow| {
        let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("order_line");
        let measure = super::decide::measure(&row.try_get::<String, _>("unit")?)?;
        let quantity = Quantity::from_stock_units(row.try_get("stock_units")?, measure)
            .stored("order_line.stock_units")?;
        Ok(IncomingLine {
            code: Some(Code::parse(&row.try_get::<String, _>("sku")?).stored("item.sku")?),
            name: String::new(),
            quantity: Asked { value: quantity.value(), unit: None },
            price: LinePrice::Line(money("amount")?),
            discount: money("discount")?,
            tax: money("tax")?,
        })
    };
    rows.iter().map(line).collect()
}
