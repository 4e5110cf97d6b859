//! Where feeds are taken in, put out, compared and looked at.
//!
//! Feeds are not this crate's business: whoever puts the program together hands in an adapter that
//! knows them. Without one there is no route for orders, and the Online room says so.

use domain::ids::RunId;
use ledger::{Actor, CommandError};
use std::fmt;
use std::future::Future;
use std::pin::Pin;

/// The connection of feeds written to files; it stands in every shop.
pub(crate) const FEED: &str = "feed";

/// What the adapter answers, once it is done.
pub type AdapterFuture<'a, T> = Pin<Box<dyn Future<Output = Result<T, FeedTrouble>> + Send + 'a>>;
/// What became of a feed: a report to be given to the caller as it is.
pub type FeedFuture<'a> = AdapterFuture<'a, serde_json::Value>;

/// Takes feeds in and puts them out.
pub trait FeedAdapter: Send + Sync {
    /// Takes a JSON feed of orders in, or with `dry_run` only says what would become of it. `name`
    /// is what the feed is called in reports, `by` is written down as having brought it, within
    /// whose limits it is taken. The same
    /// bytes again must change nothing.
    fn take_orders(&self, name: String, bytes: Vec<u8>, dry_run: bool, by: Actor) -> FeedFuture<'_>;

    /// The folder that listings can be put into, if there is one.
    fn out_folder(&self) -> Option<String>;

    /// Writes listings and records what they told.
    fn put_out(&self, out: PutOut) -> AdapterFuture<'_, WentOut>;

    /// Compares what the online shop says it lists with the shelf.
    fn compare(&self, list: GivenFile, adopt: bool) -> AdapterFuture<'_, Compared>;

    /// What a layout is for, or what is wrong with it.
    fn read_layout(&self, text: &str) -> Result<String, LayoutFault>;

    /// What its layout makes of the first rows of a file.
    fn preview(&self, file: GivenFile, rows: usize) -> AdapterFuture<'_, Previewed>;
}

/// Which listings go out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outgoing {
    /// All that is on offer or was.
    All,
    /// What changed since it was last told.
    Changes,
    /// Those of an earlier run, as they are now.
    Again(RunId),
}

/// A feed to put out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PutOut {
    /// Which listings.
    pub what: Outgoing,
    /// The layout's text; our own columns if none.
    pub layout: Option<String>,
    /// As a file for whoever asks, and not into the folder.
    pub download: bool,
}

/// What went out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WentOut {
    /// The run, by which it can be put out again; none if there was nothing to tell.
    pub run: Option<RunId>,
    /// How many listings.
    pub listings: u64,
    /// How many of them are ended by it.
    pub ended: u64,
    /// The file, if it was put into the folder.
    pub file: Option<String>,
    /// The file's bytes, if it was asked for.
    pub bytes: Vec<u8>,
    /// Pictures that could not be put beside it: the item's sku, and why.
    pub missing: Vec<(String, String)>,
}

/// A file that a person handed in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenFile {
    /// What it is called.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// Whether only its beginning was handed in.
    pub cut: bool,
    /// The layout's text that it is read by; our own columns if none.
    pub layout: Option<String>,
}

/// What both sides say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Compared {
    /// How many listings the file has.
    pub listed: u64,
    /// In which ways they differ.
    pub drifts: Vec<Drift>,
    /// Rows that cannot be read.
    pub rejected: u64,
    /// The first of these, in words.
    pub refused: Vec<String>,
    /// How many were taken over as listed.
    pub adopted: u64,
}

/// One way in which the two sides differ.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Drift {
    /// gone, unlisted, price, text, stock, unknown or twice.
    pub kind: &'static str,
    /// The item, or their code.
    pub sku: String,
    /// Which of its texts, or what it is called.
    pub what: String,
    /// Ours.
    pub here: String,
    /// Theirs.
    pub there: String,
}

/// What is wrong with a layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LayoutFault {
    /// The line, from 1, if it is known.
    pub line: Option<usize>,
    /// What is wrong.
    pub words: String,
}

impl fmt::Display for LayoutFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "line {line} of the layout: {}", self.words),
            None => f.write_str(&self.words),
        }
    }
}

/// The first rows of a file, as a layout reads them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Previewed {
    /// What the layout is for.
    pub feed: String,
    /// Our fields.
    pub fields: Vec<String>,
    /// The rows.
    pub rows: Vec<PreviewedRow>,
}

/// A row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PreviewedRow {
    /// The line that it begins on, from 1.
    pub line: u64,
    /// A text for each field.
    pub cells: Vec<String>,
    /// Why it would be refused.
    pub refused: Option<String>,
    /// The place of the field that is to blame, if one is.
    pub to_blame: Option<usize>,
}

/// Why a feed as a whole was not taken in or put out. Single orders that are refused stand in the report.
#[derive(Debug, thiserror::Error)]
pub enum FeedTrouble {
    /// It cannot be read; the words say where and what to do.
    #[error("{0}")]
    Unreadable(String),
    /// The ledger refused it, or the database was in trouble.
    #[error(transparent)]
    Ledger(#[from] CommandError),
    /// It stopped in the middle; what came before stays.
    #[error("{source}. Before that {done}; this stays")]
    Stopped {
        /// What became of the rows before.
        done: String,
        /// Why it stopped.
        #[source]
        source: Box<FeedTrouble>,
    },
    /// Something else went wrong, which is not the caller's fault and not shown to him.
    #[error("the feed could not be worked on")]
    Other(#[source] Box<dyn std::error::Error + Send + Sync>),
}
