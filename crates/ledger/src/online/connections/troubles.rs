//! Current problems of a connection: one of each kind with its time, until it is solved.

use super::MAX_TROUBLE_CHARS;
use crate::online::texts::told;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Stored};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::ConnectionId;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, Row};

/// What a problem is about. Success with the same thing solves it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TroubleOf {
    /// Everything: its text or secret cannot be used, or the shop refuses access.
    Connection,
    /// Messages to the shop.
    Messages,
    /// Fetching orders.
    Orders,
    /// Fetching its listings.
    Listings,
    /// Webhooks without a valid signature.
    Hooks,
}

impl TroubleOf {
    const ALL: [Self; 5] = [Self::Connection, Self::Messages, Self::Orders, Self::Listings, Self::Hooks];

    /// The code in the database and for programs.
    pub fn code(self) -> &'static str {
        match self {
            Self::Connection => "connection",
            Self::Messages => "messages",
            Self::Orders => "orders",
            Self::Listings => "listings",
            Self::Hooks => "hooks",
        }
    }
}

/// A problem of a connection.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ConnectionTrouble {
    /// What it is about.
    pub of: TroubleOf,
    /// In words.
    pub words: String,
    /// When it last occurred.
    pub at: Moment,
}

pub(super) async fn note(
    tx: &mut Tx,
    connection: ConnectionId,
    of: TroubleOf,
    words: &str,
) -> Result<(), CommandError> {
    let now = tx.now().millis();
    sqlx::query(
        "INSERT INTO connection_problem (connection_id, what, message, at_ms) VALUES ($1, $2, $3, $4) \
         ON CONFLICT (connection_id, what) DO UPDATE SET message = excluded.message, at_ms = excluded.at_ms",
    )
    .bind(connection.raw())
    .bind(of.code().to_owned())
    .bind(told(words, MAX_TROUBLE_CHARS))
    .bind(now)
    .execute(tx.db())
    .await?;
    Ok(())
}

/// Success with one thing solves its problem, and shows that the connection itself works.
pub(super) async fn cure(tx: &mut Tx, connection: ConnectionId, of: TroubleOf) -> Result<(), CommandError> {
    // Messages are fine again only once none of them waits because of a problem.
    sqlx::query(
        "DELETE FROM connection_problem WHERE connection_id = $1 AND what IN ($2, 'connection') \
         AND (what <> 'messages' OR NOT EXISTS (SELECT 1 FROM delivery d \
            WHERE d.connection_id = $1 AND d.message <> ''))",
    )
    .bind(connection.raw())
    .bind(of.code().to_owned())
    .execute(tx.db())
    .await?;
    Ok(())
}

/// Latest first.
pub(super) async fn of(
    connection: &mut AnyConnection,
    id: i64,
) -> Result<Vec<ConnectionTrouble>, CommandError> {
    let rows = sqlx::query("SELECT what, message, at_ms FROM connection_problem WHERE connection_id = $1")
        .bind(id)
        .fetch_all(connection)
        .await?;
    let mut troubles = Vec::with_capacity(rows.len());
    for row in &rows {
        let code: String = row.try_get("what")?;
        let of = TroubleOf::ALL.into_iter().find(|of| of.code() == code);
        troubles.push(ConnectionTrouble {
            of: of.ok_or(code).stored("connection_problem.what")?,
            words: row.try_get("message")?,
            at: Moment::from_millis(row.try_get("at_ms")?),
        });
    }
    troubles.sort_by_key(|trouble| (std::cmp::Reverse(trouble.at), trouble.of));
    Ok(troubles)
}

/// Counts webhooks without a valid signature, and stores why the last one failed. Anybody who reaches
/// the address can send them, so many are counted in one transaction.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NoteUnsigned {
    /// Of which connection.
    pub connection: ConnectionId,
    /// How many.
    pub count: u32,
    /// Why the last of them failed.
    pub words: String,
}

#[async_trait]
impl Command for NoteUnsigned {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        super::live(tx.db(), self.connection).await?;
        note(tx, self.connection, TroubleOf::Hooks, &self.words).await?;
        sqlx::query("UPDATE connection_state SET unsigned = unsigned + $2 WHERE connection_id = $1")
            .bind(self.connection.raw())
            .bind(i64::from(self.count))
            .execute(tx.db())
            .await?;
        Ok(())
    }
}
