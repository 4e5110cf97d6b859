//! Webhooks that came, so that none is taken in twice.

use super::LIVE_AT_ONCE;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use crate::store::idempotency_key::hex_hash;
use async_trait::async_trait;
use domain::ids::ConnectionId;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// How long a webhook is remembered: far longer than its signature is valid.
const REMEMBERED_MS: i64 = 7 * 24 * 60 * 60 * 1000;

/// Remembers a webhook by its message's name, but only once its contents are taken in: one that failed
/// must be able to come again.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SeeHook {
    /// The connection that it came for.
    pub connection: ConnectionId,
    /// What identifies the message.
    pub message: String,
}

#[async_trait]
impl Command for SeeHook {
    /// Whether it is new.
    type Answer = bool;

    async fn run(&self, tx: &mut Tx) -> Result<bool, CommandError> {
        super::live(tx.db(), self.connection).await?;
        let now = tx.now().millis();
        forget(tx, now).await?;
        let done = sqlx::query(
            "INSERT INTO hook_seen (connection_id, message, at_ms) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
        )
        .bind(self.connection.raw())
        .bind(hex_hash(self.message.as_bytes()))
        .bind(now)
        .execute(tx.db())
        .await?;
        Ok(done.rows_affected() == 1)
    }
}

/// Forgets the oldest of those that are more than a week old.
pub(super) async fn forget(tx: &mut Tx, now: i64) -> Result<u64, CommandError> {
    let done = sqlx::query(
        "DELETE FROM hook_seen WHERE (connection_id, message) IN (SELECT connection_id, message FROM hook_seen \
         WHERE at_ms < $1 ORDER BY at_ms LIMIT $2)",
    )
    .bind(now - REMEMBERED_MS)
    .bind(super::bounded(LIVE_AT_ONCE))
    .execute(tx.db())
    .await?;
    Ok(done.rows_affected())
}

impl Ledger {
    /// Whether a webhook was taken in before.
    pub async fn hook_seen(&self, of: ConnectionId, message: &str) -> Result<bool, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT at_ms FROM hook_seen WHERE connection_id = $1 AND message = $2")
            .bind(of.raw())
            .bind(hex_hash(message.as_bytes()))
            .fetch_optional(&mut *connection)
            .await?;
        let at = row.map(|row| row.try_get::<i64, _>("at_ms")).transpose()?;
        Ok(at.is_some_and(|at| at >= self.now().millis() - REMEMBERED_MS))
    }
}
