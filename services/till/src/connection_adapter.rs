//! Where connections to online shops are read, asked and put right, and where their hooks come in.
//!
//! How another shop is spoken to is not this crate's business: whoever puts the program together hands
//! in an adapter that knows it. Without one the pages show what the ledger knows, and no hook is taken.

use crate::feed_adapter::{AdapterFuture, GivenFile};
use domain::channel::Channel;
use ledger::online::NewPieces;
use std::fmt;
use std::future::Future;
use std::pin::Pin;

/// What the adapter answers to a hook, once it is done.
pub type HookWork<'a> = Pin<Box<dyn Future<Output = HookAnswer> + Send + 'a>>;

/// What the adapter knows of a hook before its body.
pub type HookCheck<'a> = Pin<Box<dyn Future<Output = Option<HookAnswer>> + Send + 'a>>;

/// Knows how online shops are spoken to.
pub trait ConnectionAdapter: Send + Sync {
    /// What a connection's text says, or what is wrong with it.
    fn read_connection(&self, text: &str) -> Result<ReadConnection, ConnectionFault>;

    /// Where secrets are put, in words.
    fn where_secrets_go(&self) -> String;

    /// Does what can be done with a connection now, whether it is due or not.
    fn sync_now(&self, connection: String) -> AdapterFuture<'_, ()>;

    /// Asks the other shop something that changes nothing, and says how that went and what would be sent.
    fn try_connection(&self, connection: String) -> AdapterFuture<'_, Tried>;

    /// Fetches what the other shop says it lists, mends what is safe, and keeps the rest for a person.
    fn reconcile(&self, connection: String) -> AdapterFuture<'_, Reconciled>;

    /// The same by a list that a person brings.
    fn reconcile_list(&self, connection: String, list: GivenFile) -> AdapterFuture<'_, Reconciled>;

    /// What a hook to this connection is answered whatever it says, as its name or its state says; nothing if its
    /// body must be read for that.
    fn refuse_hook<'a>(&'a self, connection: &'a str) -> HookCheck<'a>;

    /// Takes a hook: who it is from is for its signature to say.
    fn take_hook(&self, hook: Hook) -> HookWork<'_>;
}

/// What a connection's text says, as far as a page tells of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadConnection {
    /// Where its sales are booked.
    pub channel: Channel,
    /// What becomes of new pieces.
    pub new_pieces: NewPieces,
    /// Whether orders come from it.
    pub takes_orders: bool,
    /// The other shop's address.
    pub base: String,
    /// Whether what it lists can be asked for.
    pub can_reconcile: bool,
    /// The secrets that it names.
    pub secrets: Vec<NamedSecret>,
}

/// A secret, by its name alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedSecret {
    /// Its name.
    pub name: String,
    /// Why it cannot be used, with where to put it; none if it can.
    pub wanting: Option<String>,
}

/// What is wrong with a connection's text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConnectionFault {
    /// The line, where one is to blame.
    pub line: Option<usize>,
    /// What is wrong with it.
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

/// How a dry run went.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tried {
    /// What was asked, and how it was answered; one line each.
    pub asked: Vec<String>,
    /// What would be sent next; one line each.
    pub would_send: Vec<String>,
    /// Whether the other shop answered well to all that was asked.
    pub is_well: bool,
}

/// What a comparison with the other shop came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reconciled {
    /// Listings there.
    pub listed: u64,
    /// Items that are told anew.
    pub mended: u64,
    /// Differences that a person is asked about.
    pub asked: u64,
    /// Rows that could not be read: the first of them, in words.
    pub refused: Vec<String>,
}

/// A message that an online shop sends by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hook {
    /// Which connection's address it came to.
    pub connection: String,
    /// Its headers, names in small letters.
    pub headers: Vec<(String, String)>,
    /// Its body as it came: the signature is over these very bytes.
    pub body: Vec<u8>,
}

/// What became of a hook.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HookAnswer {
    /// Taken, or seen before.
    Taken,
    /// Kept aside: it is tried again, and a person can see it.
    Kept,
    /// No such connection, or one that takes no hooks.
    NoSuch,
    /// The signature is not right, or too old.
    NotSigned,
    /// It is nothing that can be read, in words.
    Unreadable(String),
    /// It cannot be taken now; it must come again.
    Busy,
}
