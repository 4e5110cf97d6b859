//! What ends a wait early: a person, a shop that answers again, or a clock that was set back.

use super::{lease_end, live};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use async_trait::async_trait;
use domain::ids::ConnectionId;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// How far the clock must be behind the latest known moment to count as set back: the clocks of two
/// machines on one database differ by less.
const SET_BACK_MS: i64 = 2 * 60 * 1000;
/// How old that latest known moment may be, which is how precisely a clock that is set back can be
/// measured.
const SEEN_EVERY_MS: i64 = 60 * 1000;

/// Nothing about a connection waits for its time any more: not the connection, no message, no deferred
/// order. Only what may still be on its way is not sent again before that is over.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct HurryConnection {
    /// Which connection.
    pub connection: ConnectionId,
}

#[async_trait]
impl Command for HurryConnection {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        live(tx.db(), self.connection).await?;
        hurry(tx, self.connection).await?;
        let now = tx.now().millis();
        sqlx::query("UPDATE connection_state SET quiet_ms = $2, quiet_asked = 0 WHERE connection_id = $1")
            .bind(self.connection.raw())
            .bind(now)
            .execute(tx.db())
            .await?;
        tx.notify_on_commit();
        Ok(())
    }
}

const HURRIED: [&str; 3] = [
    "UPDATE delivery SET due_ms = CASE WHEN clear_ms > $2 THEN clear_ms ELSE $2 END \
     WHERE connection_id = $1 AND due_ms > $2 AND due_ms > clear_ms AND dead_letter_revision = 0",
    "UPDATE pull SET due_ms = $2 WHERE connection_id = $1 AND due_ms > $2 AND fails > 0",
    "UPDATE deferred_order SET due_ms = $2 WHERE connection_id = $1 AND due_ms > $2",
];

async fn hurry(tx: &mut Tx, connection: ConnectionId) -> Result<(), CommandError> {
    let now = tx.now().millis();
    for text in HURRIED {
        sqlx::query(text).bind(connection.raw()).bind(now).execute(tx.db()).await?;
    }
    Ok(())
}

/// A shop that was away answers again, so whatever waited for it goes on. A pause that it asked for
/// lasts.
pub(super) async fn wake(tx: &mut Tx, connection: ConnectionId) -> Result<(), CommandError> {
    let now = tx.now().millis();
    let row = sqlx::query(
        "SELECT connection_id FROM connection_state \
         WHERE connection_id = $1 AND quiet_ms > 0 AND (quiet_asked = 0 OR quiet_ms <= $2)",
    )
    .bind(connection.raw())
    .bind(now)
    .fetch_optional(tx.db())
    .await?;
    if row.is_none() {
        return Ok(());
    }
    hurry(tx, connection).await?;
    sqlx::query(
        "UPDATE connection_state SET quiet_ms = 0, quiet_asked = 0 \
         WHERE connection_id = $1 AND (quiet_asked = 0 OR quiet_ms <= $2)",
    )
    .bind(connection.raw())
    .bind(now)
    .execute(tx.db())
    .await?;
    tx.notify_on_commit();
    Ok(())
}

/// Checks whether the clock was set back since the connection was last checked. If so, everything that
/// waits would wait that much too long, so its time is moved forward, and a lease lasts no longer than
/// from now.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct LookAtClock {
    /// Which connection.
    pub connection: ConnectionId,
}

const SHIFTED: [&str; 3] = [
    "UPDATE delivery SET due_ms = CASE WHEN due_ms > $2 THEN due_ms - $3 ELSE due_ms END, \
     clear_ms = CASE WHEN clear_ms > $2 THEN clear_ms - $3 ELSE clear_ms END, \
     lease_ms = CASE WHEN lease_ms > $4 THEN $4 ELSE lease_ms END \
     WHERE connection_id = $1 AND (due_ms > $2 OR lease_ms > $4)",
    "UPDATE pull SET due_ms = CASE WHEN due_ms > $2 THEN due_ms - $3 ELSE due_ms END, \
     lease_ms = CASE WHEN lease_ms > $4 THEN $4 ELSE lease_ms END \
     WHERE connection_id = $1 AND (due_ms > $2 OR lease_ms > $4)",
    "UPDATE deferred_order SET due_ms = CASE WHEN due_ms > $2 THEN due_ms - $3 ELSE due_ms END, \
     deferred_ms = CASE WHEN deferred_ms > $2 THEN deferred_ms - $3 ELSE deferred_ms END, \
     lease_ms = CASE WHEN lease_ms > $4 THEN $4 ELSE lease_ms END \
     WHERE connection_id = $1 AND (due_ms > $2 OR lease_ms > $4 OR deferred_ms > $2)",
];

#[async_trait]
impl Command for LookAtClock {
    /// By how many milliseconds the clock was set back, if it was.
    type Answer = Option<i64>;

    async fn run(&self, tx: &mut Tx) -> Result<Option<i64>, CommandError> {
        let now = tx.now().millis();
        let row = sqlx::query("SELECT clock_ms FROM connection_state WHERE connection_id = $1")
            .bind(self.connection.raw())
            .fetch_optional(tx.db())
            .await?;
        let Some(row) = row else { return Ok(None) };
        let seen: i64 = row.try_get("clock_ms")?;
        if is_as_seen(seen, now) {
            return Ok(None);
        }
        let by = seen - now;
        // Only the first to notice corrects it: a second one would subtract as much again. For this
        // once the row comes before the others; two that wait for each other are tried again.
        let first = sqlx::query(
            "UPDATE connection_state SET clock_ms = $3, \
             quiet_ms = CASE WHEN $4 > 0 AND quiet_ms > $3 THEN quiet_ms - $4 ELSE quiet_ms END, \
             fill_due_ms = CASE WHEN $4 > 0 AND fill_due_ms > $3 THEN fill_due_ms - $4 ELSE fill_due_ms END \
             WHERE connection_id = $1 AND clock_ms = $2",
        )
        .bind(self.connection.raw())
        .bind(seen)
        .bind(now)
        .bind(by.max(0))
        .execute(tx.db())
        .await?;
        if by <= SET_BACK_MS || first.rows_affected() == 0 {
            return Ok(None);
        }
        let lease = lease_end(tx);
        for text in SHIFTED {
            let statement = sqlx::query(text).bind(self.connection.raw()).bind(now).bind(by).bind(lease);
            statement.execute(tx.db()).await?;
        }
        tx.notify_on_commit();
        Ok(Some(by))
    }
}

fn is_as_seen(seen: i64, now: i64) -> bool {
    (seen - SET_BACK_MS..seen + SEEN_EVERY_MS).contains(&now)
}

impl Ledger {
    /// Checks whether the clock was set back and corrects what waits by it; returns by how many
    /// milliseconds.
    pub async fn look_at_clock(&self, connection: ConnectionId) -> Result<Option<i64>, CommandError> {
        let mut reader = self.reader().await?;
        let row = sqlx::query("SELECT clock_ms FROM connection_state WHERE connection_id = $1")
            .bind(connection.raw())
            .fetch_optional(&mut *reader)
            .await?;
        drop(reader);
        let Some(row) = row else { return Ok(None) };
        if is_as_seen(row.try_get("clock_ms")?, self.now().millis()) {
            return Ok(None);
        }
        Ok(self.execute(None, &LookAtClock { connection }).await?.answer)
    }
}
