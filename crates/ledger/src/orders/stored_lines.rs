//! The current lines of an order: sold, waiting, and what was refunded of them.

use super::plan::SoldLine;
use super::share::Share;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::ids::{HoldId, OrderId, OrderLineId, SaleId, SaleLineId};
use sqlx::Row;
use std::collections::HashMap;

/// A line of the order as it is now.
#[derive(Clone, Debug)]
pub(super) struct StoredOrderLine {
    pub(super) id: OrderLineId,
    pub(super) item: i64,
    /// The item that was ordered.
    pub(super) ordered: i64,
    pub(super) title: String,
    pub(super) share: Share,
    pub(super) state: String,
    pub(super) hold: Option<HoldId>,
    pub(super) sold: Option<(SaleId, SaleLineId)>,
    /// Everything that was refunded of it.
    pub(super) back: Share,
    /// Whether that includes money without goods.
    pub(super) has_money_back: bool,
}

impl StoredOrderLine {
    pub(super) fn waits(&self) -> bool {
        self.sold.is_none() && (self.state == "short" || self.state == "held")
    }

    /// For comparison with a later state. Money without goods was refunded besides all states, so the
    /// line counts at the full price of the goods that are left.
    pub(super) fn as_planned(&self) -> SoldLine {
        let back = if self.has_money_back { self.share.part(self.back.stock_units) } else { self.back };
        SoldLine { sold: self.share, back, has_money_back: self.has_money_back }
    }
}

pub(super) async fn read(tx: &mut Tx, order: OrderId) -> Result<Vec<StoredOrderLine>, CommandError> {
    let rows = sqlx::query(
        "SELECT o.id, COALESCE(o.item_id, 0) AS item, COALESCE(o.for_item_id, o.item_id, 0) AS ordered_item, o.title, o.stock_units, o.amount, \
         o.discount, o.tax, o.state, o.hold_id, o.sale_line_id, l.sale_id, COALESCE(b.stock_units, 0) AS back_stock_units, \
         COALESCE(b.amount, 0) AS back_amount, COALESCE(b.discount, 0) AS back_discount, COALESCE(b.tax, 0) AS back_tax, CASE WHEN EXISTS (SELECT 1 FROM refund_line m \
         WHERE m.sale_line_id = o.sale_line_id AND m.stock_units = 0) THEN 1 ELSE 0 END AS has_money_back FROM order_line o \
         LEFT JOIN sale_line l ON l.id = o.sale_line_id LEFT JOIN line_refunded b ON b.sale_line_id = o.sale_line_id \
         WHERE o.order_id = $1 ORDER BY o.position, o.id",
    )
    .bind(order.raw())
    .fetch_all(tx.db())
    .await?;
    let line = |row: &sqlx::any::AnyRow| {
        let sale = row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw);
        let sale_line = row.try_get::<Option<i64>, _>("sale_line_id")?.map(SaleLineId::from_raw);
        Ok(StoredOrderLine {
            id: OrderLineId::from_raw(row.try_get("id")?),
            item: row.try_get("item")?,
            ordered: row.try_get("ordered_item")?,
            title: row.try_get("title")?,
            share: Share::read(row, "")?,
            state: row.try_get("state")?,
            hold: row.try_get::<Option<i64>, _>("hold_id")?.map(HoldId::from_raw),
            sold: sale.zip(sale_line),
            back: Share::read(row, "back_")?,
            has_money_back: row.try_get::<i64, _>("has_money_back")? == 1,
        })
    };
    rows.iter().map(line).collect()
}

/// What refunds of goods with a number of their own returned, by sale line.
pub(super) async fn numbered(
    tx: &mut Tx,
    order: OrderId,
) -> Result<HashMap<SaleLineId, Share>, CommandError> {
    let rows = sqlx::query(
        "SELECT l.sale_line_id, CAST(SUM(l.stock_units) AS BIGINT) AS stock_units, CAST(SUM(l.amount) AS BIGINT) AS amount, \
         CAST(SUM(l.discount) AS BIGINT) AS discount, CAST(SUM(l.tax) AS BIGINT) AS tax FROM order_refund f \
         JOIN refund_line l ON l.refund_id = f.refund_id WHERE f.order_id = $1 AND l.stock_units > 0 GROUP BY l.sale_line_id",
    )
    .bind(order.raw())
    .fetch_all(tx.db())
    .await?;
    rows.iter()
        .map(|row| Ok((SaleLineId::from_raw(row.try_get("sale_line_id")?), Share::read(row, "")?)))
        .collect()
}

pub(super) async fn set_state(
    tx: &mut Tx,
    line: OrderLineId,
    state: &'static str,
) -> Result<(), CommandError> {
    sqlx::query("UPDATE order_line SET state = $2 WHERE id = $1")
        .bind(line.raw())
        .bind(state.to_owned())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Removes a waiting line, because a later state says something else.
pub(super) async fn drop_waiting(tx: &mut Tx, line: OrderLineId) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM order_line WHERE id = $1 AND sale_line_id IS NULL")
        .bind(line.raw())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// The position of the order's next line.
pub(super) async fn next_position(tx: &mut Tx, order: OrderId) -> Result<i64, CommandError> {
    let row =
        sqlx::query("SELECT COALESCE(MAX(position), 0) AS position FROM order_line WHERE order_id = $1")
            .bind(order.raw())
            .fetch_one(tx.db())
            .await?;
    Ok(row.try_get::<i64, _>("position")? + 1)
}
