//! Removes what nobody will ask for any more.

use super::hooks;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use async_trait::async_trait;
use domain::ids::ItemId;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Items per step.
const LOOKED_AT: i64 = 500;

/// Goes one step through the outbox and removes what means nothing any more: rows between an item's first waiting one (since when it waits)
/// and its last (its state); rows for ended connections; and webhooks more than a week old.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PruneLive {
    /// The item after which to begin; none for the beginning.
    pub after: Option<ItemId>,
}

const TAKEN_OUT: [&str; 3] = [
    "DELETE FROM outbox WHERE connection_id IN (SELECT c.id FROM connection c) AND item_id > $1 AND item_id <= $2 \
     AND EXISTS (SELECT 1 FROM outbox a WHERE a.item_id = outbox.item_id AND a.item_id > $1 \
        AND a.item_id <= $2 AND a.connection_id = outbox.connection_id \
        AND a.revision < outbox.revision) \
     AND EXISTS (SELECT 1 FROM outbox z WHERE z.item_id = outbox.item_id AND z.item_id > $1 \
        AND z.item_id <= $2 AND z.connection_id = outbox.connection_id \
        AND z.revision > outbox.revision)",
    "DELETE FROM outbox WHERE item_id > $1 AND item_id <= $2 \
     AND connection_id IN (SELECT c.id FROM connection c WHERE c.ended_ms IS NOT NULL)",
    "DELETE FROM delivery WHERE item_id > $1 AND item_id <= $2 \
     AND connection_id IN (SELECT c.id FROM connection c WHERE c.ended_ms IS NOT NULL)",
];

#[async_trait]
impl Command for PruneLive {
    /// Where the next step begins; none after the last.
    type Answer = Option<ItemId>;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<Option<ItemId>, CommandError> {
        let after = self.after.map_or(-1, ItemId::raw);
        let now = tx.now().millis();
        hooks::forget(tx, now).await?;
        let row = sqlx::query(
            "SELECT MAX(id) AS last_id FROM (SELECT id FROM item WHERE id > $1 ORDER BY id LIMIT $2) AS looked",
        )
        .bind(after)
        .bind(LOOKED_AT)
        .fetch_one(tx.db())
        .await?;
        let Some(end) = row.try_get::<Option<i64>, _>("last_id")? else { return Ok(None) };
        for text in TAKEN_OUT {
            sqlx::query(text).bind(after).bind(end).execute(tx.db()).await?;
        }
        Ok(Some(ItemId::from_raw(end)))
    }
}
