//! Ends holds by hand. An order line whose stock was held follows its hold: from then on it is out of
//! stock and waits for a decision.

use crate::shelf::holds::{end_group, end_one, free, over};
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use async_trait::async_trait;
use domain::ids::{HoldGroupId, HoldId};
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Ends a group of holds by hand.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndHold {
    /// All lines that were held together.
    pub id: HoldGroupId,
}

#[async_trait]
impl Command for EndHold {
    /// How many lines are free again.
    type Answer = usize;

    async fn run(&self, tx: &mut Tx) -> Result<usize, CommandError> {
        let ended = end_group(tx, self.id).await?;
        if ended.is_empty() {
            return Err(over(tx, self.id).await?.into());
        }
        let_lines_follow(tx, self.id).await?;
        Ok(ended.len())
    }
}

/// Order lines whose hold was ended are out of stock. If a line's own hold had been given in part to
/// another line, the rest is free.
pub(super) async fn let_lines_follow(tx: &mut Tx, group: HoldGroupId) -> Result<(), CommandError> {
    sqlx::query(
        "UPDATE order_line SET state = 'short', hold_id = NULL WHERE state = 'held' AND hold_id IN \
         (SELECT id FROM hold WHERE group_id = $1 AND state <> 'open')",
    )
    .bind(group.raw())
    .execute(tx.db())
    .await?;
    let left_over = sqlx::query(
        "SELECT h.id FROM hold h WHERE h.group_id = $1 AND h.state = 'open' AND h.purpose = 'order' \
         AND NOT EXISTS (SELECT 1 FROM order_line l WHERE l.state = 'held' AND l.hold_id = h.id) ORDER BY h.id",
    )
    .bind(group.raw())
    .fetch_all(tx.db())
    .await?;
    let mut ended = Vec::with_capacity(left_over.len());
    for row in &left_over {
        ended.extend(end_one(tx, HoldId::from_raw(row.try_get("id")?), "ended").await?);
    }
    free(tx, &ended).await
}
