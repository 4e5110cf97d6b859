//! Fetches orders and listings: one process at a time, from where the last fetch ended.

use super::messages::may_send;
use super::troubles::{self, TroubleOf};
use super::{MAX_TROUBLE_CHARS, lease_end, moment, others_word, place_word};
use crate::online::texts::told;
use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{OnlineReason, Rejection};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::ConnectionId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// What is fetched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PullOf {
    /// The list of orders.
    Orders,
    /// The list of what the online shop lists.
    Listings,
}

impl PullOf {
    fn trouble(self) -> TroubleOf {
        match self {
            Self::Orders => TroubleOf::Orders,
            Self::Listings => TroubleOf::Listings,
        }
    }

    fn code(self) -> &'static str {
        match self {
            Self::Orders => "orders",
            Self::Listings => "listings",
        }
    }
}

/// How far a fetch has come.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PullState {
    /// The online shop's own mark in its list; empty at the beginning.
    pub cursor: String,
    /// The newest change that was seen.
    pub since: Option<Moment>,
    /// The `ETag` of the list; empty if unknown.
    pub etag: String,
    /// How many fetches in a row failed.
    pub fails: u32,
    /// The time from which somebody wants everything read again; returned unchanged until that has
    /// begun.
    #[serde(default)]
    pub reread: Option<Moment>,
}

/// Claims a fetch if it is due, nobody else has it, and the connection is neither paused nor ended.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ClaimPull {
    /// Which connection.
    pub connection: ConnectionId,
    /// Orders or listings.
    pub what: PullOf,
    /// The claim number, see [`crate::Ledger::new_holder`].
    pub holder: i64,
    /// Somebody asks for it, so it need not be due.
    pub early: bool,
}

const CLAIM: &str = "INSERT INTO pull (connection_id, what, place, since_ms, etag, fails, due_ms, holder, lease_ms, message) \
    VALUES ($1, $2, '', NULL, '', 0, $3, $4, $5, '') ON CONFLICT (connection_id, what) DO UPDATE SET \
    holder = excluded.holder, lease_ms = excluded.lease_ms \
    WHERE pull.lease_ms <= excluded.due_ms AND pull.due_ms <= $6 RETURNING place, since_ms, etag, fails, reread_ms";

#[async_trait]
impl Command for ClaimPull {
    /// Where to go on.
    type Answer = Option<PullState>;

    async fn run(&self, tx: &mut Tx) -> Result<Option<PullState>, CommandError> {
        let now = tx.now().millis();
        if !may_send(tx, self.connection, now).await? {
            return Ok(None);
        }
        let lease = lease_end(tx);
        let row = sqlx::query(CLAIM)
            .bind(self.connection.raw())
            .bind(self.what.code().to_owned())
            .bind(now)
            .bind(self.holder)
            .bind(lease)
            .bind(if self.early { i64::MAX } else { now })
            .fetch_optional(tx.db())
            .await?;
        let Some(row) = row else { return Ok(None) };
        Ok(Some(PullState {
            cursor: row.try_get("place")?,
            since: moment(row.try_get("since_ms")?),
            etag: row.try_get("etag")?,
            fails: u32::try_from(row.try_get::<i64, _>("fails")?).unwrap_or(u32::MAX),
            reread: moment(row.try_get("reread_ms")?),
        }))
    }
}

/// Records how far a fetch has come, and when the next is due.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SettlePull {
    /// Which connection.
    pub connection: ConnectionId,
    /// Orders or listings.
    pub what: PullOf,
    /// The number of the claim.
    pub holder: i64,
    /// Where the next fetch goes on.
    pub state: PullState,
    /// When the next fetch is due.
    pub next: Moment,
    /// What went wrong, if anything.
    pub words: Option<String>,
    /// The time from which everything is being read again, if somebody wanted that; it is not begun
    /// again.
    #[serde(default)]
    pub reread_begun: Option<Moment>,
}

#[async_trait]
impl Command for SettlePull {
    /// Whether it was still claimed.
    type Answer = bool;

    async fn run(&self, tx: &mut Tx) -> Result<bool, CommandError> {
        let words = self.words.as_deref().unwrap_or_default();
        let done = sqlx::query(
            "UPDATE pull SET place = $4, since_ms = $5, etag = $6, fails = $7, due_ms = $8, holder = 0, \
             lease_ms = 0, message = $9, reread_ms = CASE WHEN reread_ms = $10 THEN NULL ELSE reread_ms END \
             WHERE connection_id = $1 AND what = $2 AND holder = $3",
        )
        .bind(self.connection.raw())
        .bind(self.what.code().to_owned())
        .bind(self.holder)
        .bind(place_word(&self.state.cursor))
        .bind(self.state.since.map(Moment::millis))
        .bind(others_word(&self.state.etag))
        .bind(i64::from(self.state.fails))
        .bind(self.next.millis())
        .bind(told(words, MAX_TROUBLE_CHARS))
        .bind(self.reread_begun.map(Moment::millis))
        .execute(tx.db())
        .await?;
        let held = done.rows_affected() == 1;
        if held && !words.is_empty() {
            troubles::note(tx, self.connection, self.what.trouble(), words).await?;
        }
        Ok(held)
    }
}

/// Reads again the orders that changed since a moment, because somebody asks for it; at once, unless
/// the connection must wait.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RereadOrders {
    /// Of which connection.
    pub connection: ConnectionId,
    /// The moment.
    pub since: Moment,
    /// For the activity log.
    pub who: String,
}

/// Of two such requests, the one that reaches further back counts.
const REREAD: &str = "INSERT INTO pull (connection_id, what, place, since_ms, etag, fails, due_ms, holder, lease_ms, message, \
    reread_ms) VALUES ($1, 'orders', '', NULL, '', 0, $2, 0, 0, '', $3) ON CONFLICT (connection_id, what) DO UPDATE SET \
    due_ms = CASE WHEN pull.due_ms > excluded.due_ms THEN excluded.due_ms ELSE pull.due_ms END, \
    reread_ms = CASE WHEN pull.reread_ms < excluded.reread_ms THEN pull.reread_ms ELSE excluded.reread_ms END";

#[async_trait]
impl Command for RereadOrders {
    type Answer = ();

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        super::live(tx.db(), self.connection).await?;
        let now = tx.now();
        if self.since > now {
            return Err(Rejection::invalid("since", OnlineReason::SinceInFuture).into());
        }
        sqlx::query(REREAD)
            .bind(self.connection.raw())
            .bind(now.millis())
            .bind(self.since.millis())
            .execute(tx.db())
            .await?;
        let what = self.connection.to_string();
        activity_log::note(tx, &who, Activity::OrdersReread, &what, &format!("since {}", self.since)).await?;
        tx.notify_on_commit();
        Ok(())
    }
}

/// What went wrong with the last fetch of a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FetchTrouble {
    /// Orders or listings.
    pub what: PullOf,
    /// In words.
    pub words: String,
}

impl Ledger {
    /// The position up to which a list was read; none if it was never fetched.
    pub async fn pull_place(&self, of: ConnectionId, what: PullOf) -> Result<Option<String>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT place FROM pull WHERE connection_id = $1 AND what = $2")
            .bind(of.raw())
            .bind(what.code().to_owned())
            .fetch_optional(&mut *connection)
            .await?;
        Ok(row.map(|row| row.try_get("place")).transpose()?)
    }

    /// Lists of a connection whose last fetch failed.
    pub async fn fetch_troubles(&self, of: ConnectionId) -> Result<Vec<FetchTrouble>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query("SELECT what, message FROM pull WHERE connection_id = $1 AND message <> ''")
            .bind(of.raw())
            .fetch_all(&mut *connection)
            .await?;
        let mut troubles = Vec::with_capacity(rows.len());
        for row in &rows {
            let code: String = row.try_get("what")?;
            let what = if code == PullOf::Orders.code() { PullOf::Orders } else { PullOf::Listings };
            troubles.push(FetchTrouble { what, words: row.try_get("message")? });
        }
        troubles.sort_by_key(|trouble| trouble.what.code());
        Ok(troubles)
    }
}
