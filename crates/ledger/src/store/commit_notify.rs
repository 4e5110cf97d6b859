//! Notices that another process has committed something, without reading any of it.

use crate::store::error::CommandError;
use crate::store::{Engine, Ledger};
use sqlx::pool::PoolConnection;
use sqlx::{Any, Row};
use std::time::Duration;

/// How often to ask. Where no notice arrives, a sale at another process's counter reaches online shops
/// within about a second.
pub const LISTEN_EVERY: Duration = Duration::from_secs(1);
/// How long an answer may take. If the server disappears without a word, nothing else ends the wait.
const ANSWERED_WITHIN: Duration = Duration::from_secs(5);

/// A value that changes with every commit, whoever makes it, and costs next to nothing to read. SQLite
/// counts the commits of all other connections; on PostgreSQL, two equal snapshots see the same rows.
const SQLITE_STANDS_AT: &str = "PRAGMA data_version";
const POSTGRES_STANDS_AT: &str = "SELECT CAST(pg_current_snapshot() AS TEXT) AS data_version";

impl Ledger {
    /// Makes [`Ledger::changes`] also change for commits of other processes, until this is dropped. It
    /// may also change for no good reason: whoever listens looks for itself.
    pub async fn listen_for_commits(&self) {
        tokio::join!(self.ask_for_changes(), self.hear_notices());
    }

    async fn ask_for_changes(&self) {
        let (mut ear, mut stood_at) = (None, None);
        loop {
            let asked = tokio::time::timeout(ANSWERED_WITHIN, self.stands_at(&mut ear)).await;
            // Whoever reads or writes reports what is wrong. A new connection treats everything it
            // missed as news.
            let stands_at = asked.ok().and_then(Result::ok);
            if stands_at.is_none() {
                ear = None;
            } else if stands_at != stood_at {
                self.inner.changes.send_modify(|count| *count = count.wrapping_add(1));
            }
            stood_at = stands_at;
            tokio::time::sleep(LISTEN_EVERY).await;
        }
    }

    /// A connection's value can only be compared with its own earlier value.
    async fn stands_at(&self, ear: &mut Option<PoolConnection<Any>>) -> Result<String, CommandError> {
        let connection = match ear {
            Some(connection) => connection,
            None => ear.insert(self.reader().await?),
        };
        Ok(match self.inner.engine {
            Engine::Sqlite => {
                let row = sqlx::query(SQLITE_STANDS_AT).fetch_one(&mut **connection).await?;
                row.try_get::<i64, _>("data_version")?.to_string()
            }
            Engine::Postgres => {
                sqlx::query(POSTGRES_STANDS_AT).fetch_one(&mut **connection).await?.try_get("data_version")?
            }
        })
    }
}
