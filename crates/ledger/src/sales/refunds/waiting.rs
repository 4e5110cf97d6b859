//! Refunded goods that wait for a decision.

use crate::books::figures::measure;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use domain::day::Moment;
use domain::ids::{RefundLineId, SaleId};
use domain::quantity::Quantity;
use sqlx::Row;
use sqlx::any::AnyRow;

/// Refunded goods that are on their way back, or here and not looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenReturn {
    /// The refund line, for [`super::DecideReturn`].
    pub line: RefundLineId,
    /// Of which sale.
    pub sale: SaleId,
    /// When the money was refunded.
    pub refunded: Moment,
    /// The item's sku.
    pub sku: String,
    /// The name under which it was sold.
    pub title: String,
    /// How much of it.
    pub quantity: Quantity,
    /// The reason for the refund.
    pub reason: String,
}

/// Only this shop's items can return to stock; lines of past orders are text.
const WAITING: &str = "FROM refund_line rl JOIN sale_line l ON l.id = rl.sale_line_id \
    JOIN refund r ON r.id = rl.refund_id LEFT JOIN return_decision c ON c.refund_line_id = rl.id \
    WHERE c.refund_line_id IS NULL AND l.item_id IS NOT NULL AND rl.stock_units > 0";

impl Ledger {
    /// Goods that wait for a decision, latest refund first, before `before` if given, at most `limit`.
    pub async fn open_fates(
        &self,
        before: Option<RefundLineId>,
        limit: usize,
    ) -> Result<Vec<OpenReturn>, CommandError> {
        let mut connection = self.reader().await?;
        let text = format!(
            "SELECT rl.id, r.sale_id, r.at_ms, l.code, l.title, rl.stock_units, l.unit, r.reason {WAITING} \
             AND rl.id < $1 ORDER BY rl.id DESC LIMIT $2"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(before.map_or(i64::MAX, RefundLineId::raw))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        rows.iter().map(read).collect()
    }

    /// How many lines wait for a decision.
    pub async fn count_open_fates(&self) -> Result<i64, CommandError> {
        let mut connection = self.reader().await?;
        let text = format!("SELECT CAST(COUNT(*) AS BIGINT) AS count {WAITING}");
        Ok(sqlx::query(sqlx::AssertSqlSafe(text)).fetch_one(&mut *connection).await?.try_get("count")?)
    }
}

fn read(row: &AnyRow) -> Result<OpenReturn, CommandError> {
    let measure = measure(&row.try_get::<String, _>("unit")?)?;
    Ok(OpenReturn {
        line: RefundLineId::from_raw(row.try_get("id")?),
        sale: SaleId::from_raw(row.try_get("sale_id")?),
        refunded: Moment::from_millis(row.try_get("at_ms")?),
        sku: row.try_get("code")?,
        title: row.try_get("title")?,
        quantity: Quantity::from_stock_units(row.try_get("stock_units")?, measure)
            .stored("refund_line.stock_units")?,
        reason: row.try_get("reason")?,
    })
}
