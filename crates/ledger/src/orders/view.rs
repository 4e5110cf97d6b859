//! Reads orders.

use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::storage_error::StorageError;
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{OrderId, OrderLineId, SaleId};
use domain::money::{Currency, Money};
use domain::order::OrderStatus;
use domain::quantity::Quantity;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

/// What later states of order $1 took off its sold lines `l`, as `t`: a line shows its current amount.
pub(super) const TAKEN_OFF: &str = "LEFT JOIN (SELECT r.sale_line_id AS line, CAST(SUM(r.stock_units) AS BIGINT) AS stock_units, \
    CAST(SUM(r.amount) AS BIGINT) AS amount, CAST(SUM(r.discount) AS BIGINT) AS discount, \
    CAST(SUM(r.tax) AS BIGINT) AS tax FROM order_change c JOIN refund_line r ON r.refund_id = c.refund_id \
    WHERE c.order_id = $1 GROUP BY r.sale_line_id) t ON t.line = l.sale_line_id AND l.state = 'filled'";

/// The state of an order line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OrderLineState {
    /// On hold until the order is paid, or until somebody decides.
    Held,
    /// Sold.
    Filled,
    /// Out of stock; it waits for a decision.
    Short,
    /// Closed.
    Undone,
}

impl OrderLineState {
    pub(crate) fn from_code(code: &str) -> Option<Self> {
        match code {
            "held" => Some(Self::Held),
            "filled" => Some(Self::Filled),
            "short" => Some(Self::Short),
            "undone" => Some(Self::Undone),
            _ => None,
        }
    }
}

/// A line of an order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderLineView {
    /// Its identifier.
    pub id: OrderLineId,
    /// The item's SKU, or the code in a past order.
    pub code: String,
    /// The item's name.
    pub title: String,
    /// How much.
    pub quantity: Quantity,
    /// Quantity × price.
    pub amount: Money,
    /// Whether it is on hold, filled, short or undone.
    pub state: OrderLineState,
}

/// An order as it is now. A past order's lines are those of its sale.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderView {
    /// Its identifier.
    pub id: OrderId,
    /// The channel on which it was placed.
    pub channel: Channel,
    /// The online shop's number for it.
    pub number: String,
    /// Its status.
    pub status: OrderStatus,
    /// When it was placed.
    pub ordered: Moment,
    /// Whether it is a past order from another system.
    pub past: bool,
    /// Its first sale.
    pub sale: Option<SaleId>,
    /// Its lines.
    pub lines: Vec<OrderLineView>,
}

impl Ledger {
    /// Orders, the latest taken in first, before `before` if given, at most `limit`. Optionally only
    /// those that need attention: with out-of-stock lines, with lines of a paid order on hold, or with
    /// an unknown status.
    pub async fn orders(
        &self,
        before: Option<OrderId>,
        only_short: bool,
        limit: usize,
    ) -> Result<Vec<OrderView>, CommandError> {
        // Separate queries, so that each uses the index of its lines.
        let short = "AND id IN (SELECT order_id FROM order_line WHERE state = 'short' \
            UNION SELECT l.order_id FROM order_line l JOIN customer_order o ON o.id = l.order_id \
            WHERE l.state = 'held' AND o.status <> 'OrderPaymentDue')";
        let text = format!(
            "SELECT id, channel, number, status, ordered_ms, backfilled, sale_id FROM customer_order \
             WHERE id < $1 {} ORDER BY id DESC LIMIT $2",
            if only_short { short } else { "" }
        );
        let mut connection = self.reader().await?;
        let rows = sqlx::query(AssertSqlSafe(text))
            .bind(before.map_or(i64::MAX, OrderId::raw))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        let mut orders = Vec::with_capacity(rows.len());
        for row in &rows {
            let mut order = order_of(row)?;
            order.lines = self.order_lines(&mut connection, order.id).await?;
            orders.push(order);
        }
        Ok(orders)
    }

    async fn order_lines(
        &self,
        connection: &mut sqlx::AnyConnection,
        order: OrderId,
    ) -> Result<Vec<OrderLineView>, CommandError> {
        let currency = self.shop().currency;
        let text = format!(
            "SELECT l.id, l.code, l.title, l.stock_units - COALESCE(t.stock_units, 0) AS stock_units, l.unit, \
             l.amount - COALESCE(t.amount, 0) AS amount, \
             l.state FROM order_line l {TAKEN_OFF} WHERE l.order_id = $1 ORDER BY l.position, l.id"
        );
        let rows = sqlx::query(AssertSqlSafe(text)).bind(order.raw()).fetch_all(connection).await?;
        rows.iter().map(|row| line_of(row, currency)).collect()
    }
}

/// A line from columns `id`, `code`, `title`, `stock_units`, `unit`, `amount`, `state`.
pub(super) fn line_of(row: &AnyRow, currency: Currency) -> Result<OrderLineView, CommandError> {
    let measure = super::decide::measure(&row.try_get::<String, _>("unit")?)?;
    let state: String = row.try_get("state")?;
    Ok(OrderLineView {
        id: OrderLineId::from_raw(row.try_get("id")?),
        code: row.try_get("code")?,
        title: row.try_get("title")?,
        quantity: Quantity::from_stock_units(row.try_get("stock_units")?, measure)
            .stored("order_line.stock_units")?,
        amount: Money::from_minor(row.try_get("amount")?, currency).stored("order_line.amount")?,
        state: OrderLineState::from_code(&state).ok_or("unknown").stored("order_line.state")?,
    })
}

/// An order from columns `id`, `channel`, `number`, `status`, `ordered_ms`, `backfilled`, `sale_id`.
pub(super) fn order_of(row: &AnyRow) -> Result<OrderView, CommandError> {
    let status: String = row.try_get("status")?;
    Ok(OrderView {
        id: OrderId::from_raw(row.try_get("id")?),
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("customer_order.channel")?,
        number: row.try_get("number")?,
        status: OrderStatus::from_code(&status)
            .ok_or_else(|| StorageError::impossible("customer_order.status"))?,
        ordered: Moment::from_millis(row.try_get("ordered_ms")?),
        past: row.try_get::<i64, _>("backfilled")? == 1,
        sale: row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw),
        lines: Vec::new(),
    })
}
