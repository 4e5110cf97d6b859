//! Tells other processes on PostgreSQL that something was committed, so that they need not ask.
//!
//! A notice is sent after the commit and not within it: PostgreSQL lets transactions with a notice
//! commit only one at a time, disk included, and every sale would wait for every other. If a process
//! dies in between, the others find out by asking, see [`crate::LISTEN_EVERY`].

use crate::store::{Inner, Ledger};
use sqlx::postgres::PgListener;
use std::fmt;
use std::sync::{Arc, Weak};
use std::time::Duration;
use tokio::sync::Notify;

/// The channel that processes of one database listen on.
const CHANNEL: &str = "fleecefold_changes";
/// How long nobody listens after the server was away; whoever listens also asks meanwhile.
const LISTEN_AGAIN_AFTER: Duration = Duration::from_secs(5);
/// How often to check whether the shop is still open, if nothing is committed.
const LOOK_EVERY: Duration = Duration::from_mins(1);

/// Sends notices, and recognizes its own.
pub(crate) struct Notices {
    wake: Arc<Notify>,
    /// Sent with each notice, so that a process ignores its own.
    own: String,
    /// The server's address; none on SQLite. It may contain a password, so it is never shown.
    server: Option<String>,
}

impl fmt::Debug for Notices {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Notices").field("own", &self.own).finish_non_exhaustive()
    }
}

impl Notices {
    pub(crate) fn new(server: Option<String>, own: String) -> Self {
        Self { wake: Arc::default(), own, server }
    }

    /// Something was committed: a notice follows. Several at the same time become one.
    pub(crate) fn send_soon(&self) {
        self.wake.notify_one();
    }
}

/// Sends notices for as long as the ledger is open.
pub(crate) fn keep_sending(inner: &Arc<Inner>) {
    if inner.notices.server.is_none() {
        return;
    }
    let (wake, inner): (_, Weak<Inner>) = (Arc::clone(&inner.notices.wake), Arc::downgrade(inner));
    tokio::spawn(async move {
        loop {
            let woken = tokio::time::timeout(LOOK_EVERY, wake.notified()).await.is_ok();
            let Some(inner) = inner.upgrade() else { return };
            if inner.readers.is_closed() {
                return;
            }
            if woken && let Err(error) = send(&inner).await {
                tracing::debug!(%error, "other processes were not told of a change; they find it by asking");
            }
        }
    });
}

async fn send(inner: &Inner) -> Result<(), sqlx::Error> {
    let notice = sqlx::query("SELECT CAST(pg_notify($1, $2) AS TEXT)").bind(CHANNEL);
    notice.bind(inner.notices.own.clone()).execute(&inner.readers).await.map(|_| ())
}

impl Ledger {
    /// Receives notices of other processes until it is dropped. Behind a pooler that uses another
    /// connection for each transaction, none ever arrives.
    pub(crate) async fn hear_notices(&self) {
        let Some(server) = &self.inner.notices.server else { return std::future::pending().await };
        loop {
            if let Err(error) = self.hear_until_lost(server).await {
                tracing::debug!(%error, "no notices are heard; it is asked for changes meanwhile");
            }
            tokio::time::sleep(LISTEN_AGAIN_AFTER).await;
        }
    }

    async fn hear_until_lost(&self, server: &str) -> Result<(), sqlx::Error> {
        let mut listener = PgListener::connect(server).await?;
        listener.listen(CHANNEL).await?;
        loop {
            // None means that the connection was lost and made again, so notices may have been missed.
            let is_own =
                listener.try_recv().await?.is_some_and(|notice| notice.payload() == self.inner.notices.own);
            if !is_own {
                self.inner.changes.send_modify(|count| *count = count.wrapping_add(1));
            }
        }
    }
}
