//! Orders no longer say who bought, after the days that the owner set.

use crate::customers::person_data;
use crate::store::Ledger;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::sql::{in_text, padded};
use domain::day::Moment;
use sqlx::{AssertSqlSafe, Row};

const DAY_MS: i64 = 24 * 60 * 60 * 1000;

/// Orders from before a time that still say it. One with something that waits for a person keeps it until then: money
/// may have to be returned.
const OLD: &str = "SELECT o.id, o.customer_id FROM customer_order o WHERE o.customer_id IS NOT NULL AND o.ordered_ms < $1 \
    AND NOT EXISTS (SELECT 1 FROM order_line l WHERE l.order_id = o.id AND l.state IN ('short', 'held')) \
    ORDER BY o.ordered_ms LIMIT $2";

/// The time before which orders are blanked; none if they never are.
fn bound(days: Option<i64>, now: Moment) -> Option<i64> {
    days.map(|days| now.millis() - days * DAY_MS)
}

/// Blanks at most `limit` orders. Returns how many.
pub(crate) async fn blank_old(tx: &mut Tx, limit: i64) -> Result<u64, CommandError> {
    let Some(before) = bound(tx.shop().order_days, tx.now()) else { return Ok(0) };
    let rows = sqlx::query(OLD).bind(before).bind(limit).fetch_all(tx.db()).await?;
    let column = |name: &str| rows.iter().map(|row| row.try_get(name)).collect::<Result<Vec<i64>, _>>();
    let (orders, buyers) = (column("id")?, column("customer_id")?);
    if orders.is_empty() {
        return Ok(0);
    }
    const UNLINK: &str = "UPDATE customer_order SET customer_id = NULL WHERE id";
    let mut statement = sqlx::query(AssertSqlSafe(in_text(UNLINK, 1, orders.len(), "")));
    for id in padded(&orders) {
        statement = statement.bind(id);
    }
    statement.execute(tx.db()).await?;
    person_data::blank(tx, &buyers).await
}

impl Ledger {
    /// Whether an order is old enough to be blanked.
    pub(crate) async fn has_old_orders(&self) -> Result<bool, CommandError> {
        let Some(before) = bound(self.shop().order_days, self.now()) else { return Ok(false) };
        let mut connection = self.reader().await?;
        let row = sqlx::query(OLD).bind(before).bind(1_i64).fetch_optional(&mut *connection).await?;
        Ok(row.is_some())
    }
}
