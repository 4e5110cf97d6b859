//! Expired holds.

use super::end::{free, read_ended};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use async_trait::async_trait;
use domain::ids::ItemId;
use serde::{Deserialize, Serialize};

/// How many expired holds are ended in one transaction.
const SWEEP_AT_ONCE: i64 = 200;

/// Ends the expired holds of one item. Returns whether there were any.
pub(crate) async fn expire_of_item(tx: &mut Tx, item: ItemId) -> Result<bool, CommandError> {
    let rows = sqlx::query(
        "UPDATE hold SET state = 'expired', ended_ms = $2 \
         WHERE item_id = $1 AND state = 'open' AND until_ms IS NOT NULL AND until_ms <= $2 RETURNING item_id, stock_units",
    )
    .bind(item.raw())
    .bind(tx.now().millis())
    .fetch_all(tx.db())
    .await?;
    let ended = rows.iter().map(read_ended).collect::<Result<Vec<_>, _>>()?;
    free(tx, &ended).await?;
    Ok(!ended.is_empty())
}

/// Whether a hold of the item has expired and was not ended yet.
pub(crate) async fn has_expired(tx: &mut Tx, item: ItemId) -> Result<bool, CommandError> {
    let row = sqlx::query(
        "SELECT id FROM hold WHERE item_id = $1 AND state = 'open' AND until_ms IS NOT NULL AND until_ms <= $2 LIMIT 1",
    )
    .bind(item.raw())
    .bind(tx.now().millis())
    .fetch_optional(tx.db())
    .await?;
    Ok(row.is_some())
}

/// Ends expired holds. `serve` does this every few seconds, and a sale does it for its own items.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub struct SweepHolds;

#[async_trait]
impl Command for SweepHolds {
    /// How many rows were ended.
    type Answer = usize;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<usize, CommandError> {
        let rows = sqlx::query(
            "UPDATE hold SET state = 'expired', ended_ms = $1 WHERE state = 'open' AND id IN \
             (SELECT id FROM hold WHERE state = 'open' AND until_ms IS NOT NULL AND until_ms <= $1 \
              ORDER BY until_ms LIMIT $2) RETURNING item_id, stock_units",
        )
        .bind(tx.now().millis())
        .bind(SWEEP_AT_ONCE)
        .fetch_all(tx.db())
        .await?;
        let ended = rows.iter().map(read_ended).collect::<Result<Vec<_>, _>>()?;
        free(tx, &ended).await?;
        Ok(ended.len())
    }
}

impl Ledger {
    /// Whether any hold has expired, so that a sweep is worth a transaction.
    pub async fn has_expired_holds(&self) -> Result<bool, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT id FROM hold WHERE state = 'open' AND until_ms IS NOT NULL AND until_ms <= $1 LIMIT 1",
        )
        .bind(self.now().millis())
        .fetch_optional(&mut *connection)
        .await?;
        Ok(row.is_some())
    }
}
