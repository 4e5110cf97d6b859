//! Orders that could not be taken in yet: stored as they came, tried again, shown, never lost.

use super::{MAX_OTHER_CHARS, MAX_TROUBLE_CHARS, bounded, lease_end};
use crate::online::texts::{cut, told};
use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::idempotency_key::hex_hash;
use crate::store::rejection::{OnlineReason, Rejection, Thing};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{ConnectionId, DeferredOrderId};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// The longest order, in bytes: hundreds of lines with their addresses.
const MAX_RAW_BYTES: usize = 256 * 1024;
/// The most orders that one connection stores. With more, something else is wrong, and nothing is
/// fetched until somebody has looked.
const MAX_KEPT: i64 = 10_000;

/// The longest name of a field; those of feeds have some twenty characters.
const MAX_FIELD_CHARS: usize = 100;

/// Stores an order that could not be taken in; the same text is stored once.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct DeferOrder {
    /// From which connection.
    pub connection: ConnectionId,
    /// The order's number, as far as it can be read.
    pub number: String,
    /// The order as it came.
    pub raw: String,
    /// Why it could not be taken in.
    pub words: String,
    /// The field that causes it, by its name in feeds; empty if none does.
    pub field: String,
    /// When to try it again.
    pub until: Moment,
}

/// A stored order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeferredOrder {
    /// Its identifier.
    pub id: DeferredOrderId,
    /// Its number.
    pub number: String,
    /// The text as it came.
    pub raw: String,
    /// Why it could not be taken in.
    pub words: String,
    /// The field that causes it; empty if none does.
    pub field: String,
    /// How often it was tried again; if claimed, which try this is.
    pub tries: u32,
    /// When it was stored.
    pub kept: Moment,
    /// When it is tried again.
    pub due: Moment,
}

#[async_trait]
impl Command for DeferOrder {
    /// Whether it is new.
    type Answer = bool;

    async fn run(&self, tx: &mut Tx) -> Result<bool, CommandError> {
        super::live(tx.db(), self.connection).await?;
        if self.raw.len() > MAX_RAW_BYTES || self.raw.contains('\0') {
            let reason = OnlineReason::OrderTooLong { number: self.number.clone(), limit: MAX_RAW_BYTES };
            return Err(Rejection::invalid("order", reason).into());
        }
        // The latest version of an order is the one with the largest identifier.
        tx.after(
            "SELECT MAX(id) AS last_id FROM deferred_order WHERE connection_id = $1",
            self.connection.raw(),
        )
        .await?;
        let id = tx.next_id()?;
        let now = tx.now().millis();
        let done = sqlx::query(
            "INSERT INTO deferred_order (id, connection_id, number, raw_hash, raw, message, tries, due_ms, holder, \
             lease_ms, deferred_ms, field) VALUES ($1, $2, $3, $4, $5, $6, 0, $7, 0, 0, $8, $9) ON CONFLICT DO NOTHING",
        )
        .bind(id)
        .bind(self.connection.raw())
        .bind(cut(&self.number, MAX_OTHER_CHARS))
        .bind(hex_hash(self.raw.as_bytes()))
        .bind(self.raw.clone())
        .bind(told(&self.words, MAX_TROUBLE_CHARS))
        .bind(self.until.millis())
        .bind(now)
        .bind(cut(&self.field, MAX_FIELD_CHARS))
        .execute(tx.db())
        .await?;
        let count = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM deferred_order WHERE connection_id = $1",
        )
        .bind(self.connection.raw())
        .fetch_one(tx.db())
        .await?;
        if count.try_get::<i64, _>("count")? > MAX_KEPT {
            let reason = OnlineReason::TooManyDeferred { limit: MAX_KEPT };
            return Err(Rejection::invalid("order", reason).into());
        }
        tx.notify_on_commit();
        Ok(done.rows_affected() == 1)
    }
}

/// Claims stored orders that are due, oldest first.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ClaimDeferredOrders {
    /// Of which connection.
    pub connection: ConnectionId,
    /// The claim number, see [`Ledger::new_holder`].
    pub holder: i64,
    /// At most this many, and never more than [`super::LIVE_AT_ONCE`].
    pub limit: usize,
}

const DUE: &str = "SELECT k.id FROM deferred_order k JOIN connection c ON c.id = k.connection_id WHERE k.connection_id = $1 \
    AND c.ended_ms IS NULL AND k.due_ms <= $2 AND k.lease_ms <= $2 ORDER BY k.id LIMIT $3";
const CLAIM: &str = "UPDATE deferred_order SET tries = tries + 1, holder = $2, lease_ms = $3 \
    WHERE id = $1 AND due_ms <= $4 AND lease_ms <= $4 RETURNING id, number, raw, message, tries, deferred_ms, due_ms, field";

#[async_trait]
impl Command for ClaimDeferredOrders {
    type Answer = Vec<DeferredOrder>;

    async fn run(&self, tx: &mut Tx) -> Result<Vec<DeferredOrder>, CommandError> {
        let (now, lease) = (tx.now().millis(), lease_end(tx));
        let due = sqlx::query(DUE)
            .bind(self.connection.raw())
            .bind(now)
            .bind(bounded(self.limit))
            .fetch_all(tx.db())
            .await?;
        let mut claimed = Vec::with_capacity(due.len());
        for row in &due {
            let row = sqlx::query(CLAIM)
                .bind(row.try_get::<i64, _>("id")?)
                .bind(self.holder)
                .bind(lease)
                .bind(now)
                .fetch_optional(tx.db())
                .await?;
            claimed.extend(row.as_ref().map(read).transpose()?);
        }
        Ok(claimed)
    }
}

/// What happened to a stored order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DeferredBecause {
    /// It was taken in and is no longer stored.
    Taken,
    /// It waits for another try.
    Later {
        /// When to try it again.
        until: Moment,
        /// Why it could not be taken in.
        words: String,
    },
}

/// Records the outcome for a stored order that was claimed.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SettleDeferredOrder {
    /// The stored order.
    pub id: DeferredOrderId,
    /// The number of the claim.
    pub holder: i64,
    /// The outcome.
    pub became: DeferredBecause,
}

#[async_trait]
impl Command for SettleDeferredOrder {
    /// Whether it was still claimed.
    type Answer = bool;

    async fn run(&self, tx: &mut Tx) -> Result<bool, CommandError> {
        let statement = match &self.became {
            DeferredBecause::Taken => sqlx::query("DELETE FROM deferred_order WHERE id = $1 AND holder = $2")
                .bind(self.id.raw())
                .bind(self.holder),
            DeferredBecause::Later { until, words } => sqlx::query(
                "UPDATE deferred_order SET holder = 0, lease_ms = 0, due_ms = $3, message = $4 \
                 WHERE id = $1 AND holder = $2",
            )
            .bind(self.id.raw())
            .bind(self.holder)
            .bind(until.millis())
            .bind(told(words, MAX_TROUBLE_CHARS)),
        };
        Ok(statement.execute(tx.db()).await?.rows_affected() == 1)
    }
}

/// Lets a stored order be tried again at once, because somebody asks for it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RetryDeferredOrder {
    /// The stored order.
    pub id: DeferredOrderId,
}

#[async_trait]
impl Command for RetryDeferredOrder {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let now = tx.now().millis();
        // A claimed one stays claimed until its lease ends.
        let done = sqlx::query(
            "UPDATE deferred_order SET due_ms = CASE WHEN due_ms > $2 THEN $2 ELSE due_ms END WHERE id = $1",
        )
        .bind(self.id.raw())
        .bind(now)
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 0 {
            return Err(Rejection::no_such(Thing::DeferredOrder, self.id).into());
        }
        tx.notify_on_commit();
        Ok(())
    }
}

/// Drops a stored order, because somebody decided to ignore it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct DropDeferredOrder {
    /// The stored order.
    pub id: DeferredOrderId,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for DropDeferredOrder {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let row = sqlx::query("DELETE FROM deferred_order WHERE id = $1 RETURNING number, message")
            .bind(self.id.raw())
            .fetch_optional(tx.db())
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::DeferredOrder, self.id))?;
        let (number, words): (String, String) = (row.try_get("number")?, row.try_get("message")?);
        activity_log::note(tx, &who, Activity::DeferredOrderDropped, &number, &words).await
    }
}

fn read(row: &AnyRow) -> Result<DeferredOrder, CommandError> {
    Ok(DeferredOrder {
        id: DeferredOrderId::from_raw(row.try_get("id")?),
        number: row.try_get("number")?,
        raw: row.try_get("raw")?,
        words: row.try_get("message")?,
        tries: u32::try_from(row.try_get::<i64, _>("tries")?).unwrap_or(u32::MAX),
        kept: Moment::from_millis(row.try_get("deferred_ms")?),
        due: Moment::from_millis(row.try_get("due_ms")?),
        field: row.try_get("field")?,
    })
}

impl Ledger {
    /// Since when an order with exactly this text is stored; none if it is not.
    pub async fn kept_since(
        &self,
        of: ConnectionId,
        number: &str,
        raw: &str,
    ) -> Result<Option<Moment>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT deferred_ms FROM deferred_order WHERE connection_id = $1 AND number = $2 AND raw_hash = $3",
        )
        .bind(of.raw())
        .bind(cut(number, MAX_OTHER_CHARS))
        .bind(hex_hash(raw.as_bytes()))
        .fetch_optional(&mut *connection)
        .await?;
        Ok(row.map(|row| row.try_get("deferred_ms")).transpose()?.map(Moment::from_millis))
    }

    /// Orders of a connection that could not be taken in, oldest first, each once in its latest
    /// version. All versions are stored.
    pub async fn deferred_orders(
        &self,
        of: ConnectionId,
        limit: usize,
    ) -> Result<Vec<DeferredOrder>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT k.id, k.number, k.raw, k.message, k.tries, k.deferred_ms, k.due_ms, k.field FROM deferred_order k \
             WHERE k.connection_id = $1 AND (k.number = '?' OR NOT EXISTS (SELECT 1 FROM deferred_order z \
                WHERE z.connection_id = k.connection_id AND z.number = k.number AND z.id > k.id)) \
             ORDER BY k.id LIMIT $2",
        )
        .bind(of.raw())
        .bind(bounded(limit))
        .fetch_all(&mut *connection)
        .await?;
        rows.iter().map(read).collect()
    }
}
