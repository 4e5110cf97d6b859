//! The interface to online shops: checking connections, syncing, comparing, and webhooks.
//!
//! This crate does not know how to talk to an online shop; the program passes in an adapter that does. Without
//! one, the pages show what the ledger knows, and no webhook is taken.

use crate::feed_adapter::{AdapterFuture, GivenFile};
use domain::channel::Channel;
use ledger::online::NewPieces;
use std::fmt;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;

/// The adapter's answer to a webhook, once it is ready.
pub type HookWork<'a> = Pin<Box<dyn Future<Output = HookAnswer> + Send + 'a>>;

/// What the adapter says about a webhook before its body is read.
pub type HookCheck<'a> = Pin<Box<dyn Future<Output = Option<HookAnswer>> + Send + 'a>>;

/// Knows how to talk to online shops. What it does there goes on even if nobody waits for it any more.
pub trait ConnectionAdapter: Send + Sync {
    /// What a connection's text says, or what is wrong with it.
    fn read_connection(&self, text: &str) -> Result<ReadConnection, ConnectionFault>;

    /// Where secrets are stored, in words.
    fn where_secrets_go(&self) -> String;

    /// Does everything for a connection now, whether it is due or not.
    fn sync_now(self: Arc<Self>, connection: String) -> AdapterFuture<'static, ()>;

    /// Asks the online shop without changing anything; returns how that went and what would be sent.
    fn try_connection(self: Arc<Self>, connection: String) -> AdapterFuture<'static, Tried>;

    /// Fetches what the online shop says it lists, corrects what is safe, and keeps the rest for a decision.
    fn reconcile(self: Arc<Self>, connection: String) -> AdapterFuture<'static, Reconciled>;

    /// The same with a list that somebody uploads.
    fn reconcile_list(
        self: Arc<Self>,
        connection: String,
        list: GivenFile,
    ) -> AdapterFuture<'static, Reconciled>;

    /// The answer to a webhook for this connection whatever it says, because of its name or state; nothing if
    /// its body must be read first.
    fn refuse_hook<'a>(&'a self, connection: &'a str) -> HookCheck<'a>;

    /// Takes in a webhook; its signature says who sent it.
    fn take_hook(&self, hook: Hook) -> HookWork<'_>;
}

/// What a connection's text says, as far as pages show it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadConnection {
    pub channel: Channel,
    pub new_pieces: NewPieces,
    pub takes_orders: bool,
    pub base: String,
    /// Whether its listings can be fetched.
    pub can_reconcile: bool,
    pub secrets: Vec<NamedSecret>,
}

/// A secret, by its name alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedSecret {
    pub name: String,
    /// Why it cannot be used and where to put it; none if it can.
    pub wanting: Option<String>,
}

/// What is wrong with a connection's text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConnectionFault {
    /// The line that causes it, if one does.
    pub line: Option<usize>,
    pub words: String,
}

impl fmt::Display for ConnectionFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "line {line}: {}", self.words),
            None => f.write_str(&self.words),
        }
    }
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tried {
    /// What was asked and how it was answered, one line each.
    pub asked: Vec<String>,
    /// What would be sent next, one line each.
    pub would_send: Vec<String>,
    /// Whether the online shop answered everything successfully.
    pub is_well: bool,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reconciled {
    pub listed: u64,
    /// Items that are sent again.
    pub mended: u64,
    /// Differences that wait for a decision.
    pub asked: u64,
    /// The first rows that could not be read, in words.
    pub refused: Vec<String>,
}

/// A message that an online shop sends by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hook {
    /// The connection that it was sent to.
    pub connection: String,
    pub headers: Vec<(String, String)>,
    /// As it came: the signature covers exactly these bytes.
    pub body: Vec<u8>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HookAnswer {
    /// Taken in now or earlier.
    Taken,
    /// Stored for another try; it is listed for people.
    Kept,
    /// There is no such connection, or it takes no webhooks.
    NoSuch,
    /// The signature is wrong or too old.
    NotSigned,
    /// It cannot be read, for this reason.
    Unreadable(String),
    /// It cannot be taken in now and must come again.
    Busy,
}
