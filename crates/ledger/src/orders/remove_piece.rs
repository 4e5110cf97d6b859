//! Removes a piece that was entered by mistake. It is in this room because an order that names the piece keeps it.

use crate::people::activity_log::{self, Activity};
use crate::shelf::{lookup, open_count, removal};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShelfReason};
use async_trait::async_trait;
use domain::codes::Code;
use domain::ids::ItemId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Removes a piece that nobody bought. Its history stays, and its code still leads to it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RemovePiece {
    /// Which.
    pub code: Code,
    /// Why, for its history and the activity log.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for RemovePiece {
    /// The piece's new revision.
    type Answer = i64;

    async fn run(&self, tx: &mut Tx) -> Result<i64, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = text::short(&self.reason).field("reason")?;
        if reason.is_empty() {
            return Err(Rejection::invalid("reason", ShelfReason::NoRemovalReason).into());
        }
        let found = lookup::find_all(tx, std::slice::from_ref(&self.code)).await?.remove(0);
        open_count::after_scan(tx, found.id).await?;
        let revision = removal::remove(tx, found.id, (&reason, &who)).await?;
        // From here on the row is locked, and no order can take the piece.
        if let Some(order) = order_of(tx, found.id).await? {
            let reason = ShelfReason::RemovesUnorderedOnly { order };
            return Err(Rejection::invalid("code", reason).into());
        }
        activity_log::note(tx, &who, Activity::Removal, &found.sku, &reason).await?;
        Ok(revision)
    }
}

/// The number of an order with a line that names the piece, whatever became of the line.
async fn order_of(tx: &mut Tx, item: ItemId) -> Result<Option<String>, CommandError> {
    let row = sqlx::query(
        "SELECT o.number FROM (SELECT order_id FROM order_line WHERE item_id = $1 \
         UNION SELECT order_id FROM order_line WHERE for_item_id = $1) AS l \
         JOIN customer_order o ON o.id = l.order_id ORDER BY o.id LIMIT 1",
    )
    .bind(item.raw())
    .fetch_optional(tx.db())
    .await?;
    Ok(row.map(|row| row.try_get("number")).transpose()?)
}
