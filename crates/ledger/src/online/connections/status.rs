//! How the connections are doing, and when there is something to do for them.

use super::moment;
use super::troubles::{self, ConnectionTrouble, TroubleOf};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::ConnectionId;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

/// How a connection is doing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ConnectionStatus {
    /// Its identifier.
    pub id: ConnectionId,
    /// Its name.
    pub name: String,
    /// The channel of its orders.
    pub channel: String,
    /// Items with something to send, including those whose message needs attention.
    pub waiting: i64,
    /// Items whose message needs attention.
    pub parked: i64,
    /// Since when the oldest change that could be sent has been waiting.
    pub oldest_unsent: Option<Moment>,
    /// Messages accepted since the connection was made.
    pub sent: i64,
    /// Messages refused since the connection was made.
    pub refused: i64,
    /// When its shop last answered.
    pub last_contact: Option<Moment>,
    /// Until when it is paused, if it is.
    pub quiet_until: Option<Moment>,
    /// The latest problem; empty if there is none.
    pub last_trouble: String,
    /// When the latest problem was.
    pub trouble_at: Option<Moment>,
    /// All current problems, latest first.
    pub troubles: Vec<ConnectionTrouble>,
    /// Webhooks without a valid signature since the connection was made.
    pub unsigned_hooks: i64,
    /// Orders that could not be taken in yet.
    pub orders_deferred: i64,
    /// Differences that wait for a decision.
    pub differences: i64,
}

/// Pauses the whole connection until a moment, messages and fetches alike; a moment in the past ends
/// the pause.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct QuietConnection {
    /// Which connection.
    pub connection: ConnectionId,
    /// When the pause ends.
    pub until: Moment,
    /// Whether the shop asked for the pause: then only a person ends it early.
    pub asked: bool,
    /// The reason; if empty, the last problem stays.
    pub words: String,
    /// What the reason is about.
    pub of: TroubleOf,
}

#[async_trait]
impl Command for QuietConnection {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        super::live(tx.db(), self.connection).await?;
        sqlx::query("UPDATE connection_state SET quiet_ms = $2, quiet_asked = $3 WHERE connection_id = $1")
            .bind(self.connection.raw())
            .bind(self.until.millis())
            .bind(i64::from(self.asked))
            .execute(tx.db())
            .await?;
        if self.until <= tx.now() {
            tx.notify_on_commit();
        }
        if self.words.is_empty() {
            return Ok(());
        }
        troubles::note(tx, self.connection, self.of, &self.words).await
    }
}

/// Records that the connection's shop answered successfully or sent something itself. That ends a pause
/// that the shop did not ask for. Settling messages does this too.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NoteContact {
    /// Which connection.
    pub connection: ConnectionId,
    /// What works.
    pub of: TroubleOf,
}

#[async_trait]
impl Command for NoteContact {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let now = tx.now().millis();
        super::clocks::wake(tx, self.connection).await?;
        sqlx::query("UPDATE connection_state SET contact_ms = $2 WHERE connection_id = $1")
            .bind(self.connection.raw())
            .bind(now)
            .execute(tx.db())
            .await?;
        troubles::cure(tx, self.connection, self.of).await
    }
}

const STATUS: &str = "SELECT c.id, c.name, c.channel, s.sent, s.refused, s.contact_ms, s.quiet_ms, s.unsigned, \
    CAST((SELECT COUNT(*) FROM delivery d WHERE d.connection_id = c.id AND d.dead_letter_revision > 0) AS BIGINT) AS dead_letters, \
    CAST((SELECT COUNT(*) FROM deferred_order k WHERE k.connection_id = c.id) AS BIGINT) AS deferred_orders, \
    CAST((SELECT COUNT(*) FROM difference f WHERE f.connection_id = c.id AND f.state = 'open') AS BIGINT) AS differences \
    FROM connection c JOIN connection_state s ON s.connection_id = c.id WHERE c.id > 1 AND c.ended_ms IS NULL";
const WAITING: &str = "SELECT CAST(COUNT(DISTINCT o.item_id) AS BIGINT) AS waiting, \
    MIN(CASE WHEN d.item_id IS NULL OR o.revision > d.dead_letter_revision THEN o.at_ms END) AS oldest_ms FROM outbox o \
    LEFT JOIN delivery d ON d.connection_id = o.connection_id AND d.item_id = o.item_id \
    WHERE o.connection_id = $1 AND o.connection_id > 1";

/// When there may be something to send next; none if there is nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MessagesDue {
    /// For messages.
    pub messages: Option<Moment>,
    /// For going through the items that were never sent.
    pub fill: Option<Moment>,
}

/// When there may be something to fetch next; none if there is nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FetchedDue {
    /// For orders; if none were ever fetched, they are due.
    pub orders: Option<Moment>,
    /// For listings; if none were ever fetched, they are due.
    pub listings: Option<Moment>,
    /// For orders that could not be taken in yet.
    pub kept: Option<Moment>,
}

/// A message that nobody has claimed is due at once, and usually there is one at the front. Only if
/// there is none are those that wait for a time of their own gone through.
const MESSAGES_DUE: &str = "SELECT s.quiet_ms, s.fill_due_ms, \
    COALESCE((SELECT 0 FROM outbox o WHERE o.connection_id = s.connection_id AND o.connection_id > 1 \
        AND NOT EXISTS (SELECT 1 FROM delivery d \
            WHERE d.connection_id = o.connection_id AND d.item_id = o.item_id) LIMIT 1), \
    (SELECT MIN(CASE WHEN d.due_ms > d.lease_ms THEN d.due_ms ELSE d.lease_ms END) FROM delivery d \
        WHERE d.connection_id = s.connection_id AND EXISTS (SELECT 1 FROM outbox o \
            WHERE o.connection_id = d.connection_id AND o.item_id = d.item_id \
            AND o.revision > d.dead_letter_revision))) AS messages_due_ms \
    FROM connection_state s JOIN connection c ON c.id = s.connection_id \
    WHERE s.connection_id = $1 AND c.ended_ms IS NULL";
/// Orders, listings, and deferred orders.
const FETCHED_DUE: &str = "SELECT s.quiet_ms, \
    COALESCE((SELECT CASE WHEN p.due_ms > p.lease_ms THEN p.due_ms ELSE p.lease_ms END FROM pull p \
        WHERE p.connection_id = s.connection_id AND p.what = 'orders'), 0) AS orders_due_ms, \
    COALESCE((SELECT CASE WHEN p.due_ms > p.lease_ms THEN p.due_ms ELSE p.lease_ms END FROM pull p \
        WHERE p.connection_id = s.connection_id AND p.what = 'listings'), 0) AS listings_due_ms, \
    (SELECT MIN(CASE WHEN k.due_ms > k.lease_ms THEN k.due_ms ELSE k.lease_ms END) FROM deferred_order k \
        WHERE k.connection_id = s.connection_id) AS deferred_due_ms \
    FROM connection_state s JOIN connection c ON c.id = s.connection_id \
    WHERE s.connection_id = $1 AND c.ended_ms IS NULL";

impl Ledger {
    /// How each connection is doing, by name.
    pub async fn connection_statuses(&self) -> Result<Vec<ConnectionStatus>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(STATUS).fetch_all(&mut *connection).await?;
        let now = self.now();
        let mut statuses = Vec::with_capacity(rows.len());
        for row in &rows {
            statuses.push(status(&mut connection, row, now).await?);
        }
        statuses.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(statuses)
    }

    /// When there may be something to send to a connection; nothing once it has ended.
    pub async fn messages_due(&self, of: ConnectionId) -> Result<MessagesDue, CommandError> {
        let mut connection = self.reader().await?;
        let found = sqlx::query(MESSAGES_DUE).bind(of.raw()).fetch_optional(&mut *connection).await?;
        let Some(row) = found else { return Ok(MessagesDue::default()) };
        let messages = moment(row.try_get("messages_due_ms")?);
        Ok(MessagesDue { messages: unless_quiet(&row, messages)?, fill: moment(row.try_get("fill_due_ms")?) })
    }

    /// When there may be something to fetch from a connection; nothing once it has ended.
    pub async fn fetched_due(&self, of: ConnectionId) -> Result<FetchedDue, CommandError> {
        let mut connection = self.reader().await?;
        let found = sqlx::query(FETCHED_DUE).bind(of.raw()).fetch_optional(&mut *connection).await?;
        let Some(row) = found else { return Ok(FetchedDue::default()) };
        Ok(FetchedDue {
            orders: unless_quiet(&row, moment(row.try_get("orders_due_ms")?))?,
            listings: unless_quiet(&row, moment(row.try_get("listings_due_ms")?))?,
            kept: moment(row.try_get("deferred_due_ms")?),
        })
    }
}

/// A paused connection is due after its pause.
fn unless_quiet(row: &AnyRow, due: Option<Moment>) -> Result<Option<Moment>, CommandError> {
    let quiet = Moment::from_millis(row.try_get("quiet_ms")?);
    Ok(due.map(|due| due.max(quiet)))
}

async fn status(
    connection: &mut AnyConnection,
    row: &AnyRow,
    now: Moment,
) -> Result<ConnectionStatus, CommandError> {
    let id: i64 = row.try_get("id")?;
    let waits = sqlx::query(WAITING).bind(id).fetch_one(&mut *connection).await?;
    let troubles = troubles::of(connection, id).await?;
    Ok(ConnectionStatus {
        id: ConnectionId::from_raw(id),
        name: row.try_get("name")?,
        channel: row.try_get("channel")?,
        waiting: waits.try_get("waiting")?,
        parked: row.try_get("dead_letters")?,
        oldest_unsent: moment(waits.try_get("oldest_ms")?),
        sent: row.try_get("sent")?,
        refused: row.try_get("refused")?,
        last_contact: moment(row.try_get("contact_ms")?),
        quiet_until: Some(Moment::from_millis(row.try_get("quiet_ms")?)).filter(|until| *until > now),
        last_trouble: troubles.first().map(|t| t.words.clone()).unwrap_or_default(),
        trouble_at: troubles.first().map(|t| t.at),
        troubles,
        unsigned_hooks: row.try_get("unsigned")?,
        orders_deferred: row.try_get("deferred_orders")?,
        differences: row.try_get("differences")?,
    })
}
