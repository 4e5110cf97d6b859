//! Where order feeds that come over HTTP are taken in.
//!
//! Feeds are not this crate's business: whoever puts the program together hands in a desk that
//! takes their bytes. Without one the route does not exist.

use ledger::Failure;
use std::future::Future;
use std::pin::Pin;

/// What became of a feed: a report to be given to the caller as it is.
pub type FeedFuture<'a> = Pin<Box<dyn Future<Output = Result<serde_json::Value, FeedTrouble>> + Send + 'a>>;

/// Takes feeds in.
pub trait FeedDesk: Send + Sync {
    /// Takes a JSON feed of orders in, or with `dry_run` only says what would become of it. `name`
    /// is what the feed is called in reports. The same bytes again must change nothing.
    fn take_orders(&self, name: String, bytes: Vec<u8>, dry_run: bool) -> FeedFuture<'_>;
}

/// Why a feed as a whole was not taken in. Single orders that are refused stand in the report.
#[derive(Debug, thiserror::Error)]
pub enum FeedTrouble {
    /// It cannot be read; the words say where and what to do.
    #[error("{0}")]
    Unreadable(String),
    /// The ledger refused it, or the database was in trouble.
    #[error(transparent)]
    Ledger(#[from] Failure),
    /// Something else went wrong, which is not the caller's fault and not shown to him.
    #[error("the feed could not be taken in")]
    Other(#[source] Box<dyn std::error::Error + Send + Sync>),
}
