//! The interface to feeds: taking them in, writing, comparing and previewing them.
//!
//! This crate does not know feeds; the program passes in an adapter that does. Without one there is no route
//! for orders, and the Online pages say so.

use domain::ids::{ItemId, RunId};
use ledger::{Actor, CommandError};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::future::Future;
use std::path::PathBuf;
use std::pin::Pin;

/// The connection for feeds written to files; every shop has it.
pub(crate) const FEED: &str = "feed";

/// The adapter's answer, once it is ready.
pub type AdapterFuture<'a, T> = Pin<Box<dyn Future<Output = Result<T, FeedTrouble>> + Send + 'a>>;
/// A report, to be passed on to the caller unchanged.
pub type FeedFuture<'a> = AdapterFuture<'a, serde_json::Value>;

/// Takes feeds in and puts them out.
pub trait FeedAdapter: Send + Sync {
    /// Takes in a JSON feed of orders, or with `dry_run` only reports what would happen. `name` is the feed's
    /// name in reports. `by` is who brings it, for the activity log; their limits apply. The same bytes again
    /// must change nothing.
    fn take_orders(&self, name: String, bytes: Vec<u8>, dry_run: bool, by: Actor) -> FeedFuture<'_>;

    /// Takes in a file of orders as the command line does, or only says what would happen. The same file again must
    /// change nothing.
    fn take_order_file(&self, run: OrderFileRun) -> AdapterFuture<'_, OrdersTaken>;

    /// The folder for listings, if there is one.
    fn out_folder(&self) -> Option<String>;

    /// Writes listings and records what they said.
    fn put_out(&self, out: PutOut) -> AdapterFuture<'_, WentOut>;

    /// Compares what the online shop says it lists with our stock.
    fn compare(&self, list: GivenFile, adopt: bool) -> AdapterFuture<'_, Compared>;

    /// What a layout is for, or what is wrong with it.
    fn read_layout(&self, text: &str) -> Result<String, LayoutFault>;

    /// What its layout makes of the first rows of a file.
    fn preview(&self, file: GivenFile, rows: usize) -> AdapterFuture<'_, Previewed>;
}

/// A file of orders, and how to read it.
#[derive(Clone, Debug)]
pub struct OrderFileRun {
    /// Where it stands.
    pub path: PathBuf,
    /// The name that it came with, whose ending tells its format.
    pub name: String,
    /// The text of its layout; our own columns if none.
    pub layout: Option<String>,
    /// Whether they are another system's past: for the books only.
    pub past: bool,
    /// Whether nothing is booked.
    pub dry_run: bool,
    /// The folder for its rejected orders.
    pub rejects: PathBuf,
    /// Who brings it; their limits apply.
    pub by: Actor,
}

/// What became of a file of orders, or would.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrdersTaken {
    pub is_dry: bool,
    pub new: u64,
    pub changed: u64,
    /// Here already, and the same.
    pub known: u64,
    pub rejected: u64,
    /// Lines that are sold.
    pub filled: u64,
    /// Lines on hold until their order is paid.
    pub held: u64,
    /// Lines that are out of stock.
    pub short: u64,
    pub refunds: u64,
    pub unknown_status: u64,
    /// The first rejected orders, in words.
    pub refused: Vec<String>,
    /// Whether there is a file with the rejected orders in the folder for them.
    pub has_rejects_file: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outgoing {
    /// Everything that is or was offered.
    All,
    /// What changed since the last feed.
    Changes,
    /// Those of an earlier run, as they are now.
    Again(RunId),
    /// These pieces, as they are now.
    Pieces(Vec<ItemId>),
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PutOut {
    pub what: Outgoing,
    /// The layout's text; our own columns if none.
    pub layout: Option<String>,
    /// Returned as a file, and not written to the folder.
    pub download: bool,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WentOut {
    /// The run, for writing it again; none if there was nothing to write.
    pub run: Option<RunId>,
    pub listings: u64,
    /// How many of them are ended.
    pub ended: u64,
    /// The file's path, if it was written to the folder.
    pub file: Option<String>,
    /// The file's bytes, if they were asked for.
    pub bytes: Vec<u8>,
    /// Pictures that could not be put beside it: the item's SKU and the reason.
    pub missing: Vec<(String, String)>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenFile {
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// Whether only its beginning was uploaded.
    pub cut: bool,
    /// The text of its layout; our own columns if none.
    pub layout: Option<String>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Compared {
    /// How many listings the file has.
    pub listed: u64,
    pub differences: Vec<ListingDifference>,
    /// Rows that cannot be read.
    pub rejected: u64,
    /// The first of these, in words.
    pub refused: Vec<String>,
    /// How many now count as listed.
    pub adopted: u64,
}

/// One way in which the two sides differ.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListingDifference {
    /// gone, unlisted, price, text, stock, unknown or twice.
    pub kind: &'static str,
    pub sku: String,
    /// Which of its texts differs, or its name.
    pub what: String,
    pub here: String,
    pub there: String,
}

/// What is wrong with a layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LayoutFault {
    /// The line, from 1, if it is known.
    pub line: Option<usize>,
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
    pub feed: String,
    pub fields: Vec<String>,
    pub rows: Vec<PreviewedRow>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PreviewedRow {
    /// The line that it begins on, from 1.
    pub line: u64,
    pub cells: Vec<String>,
    pub refused: Option<String>,
    /// The position of the field that causes it, if one does.
    pub to_blame: Option<usize>,
}

/// Why a whole feed was not taken in or written. Rejected orders are in the report.
#[derive(Debug, thiserror::Error)]
pub enum FeedTrouble {
    /// It cannot be read; the words say where and what to do.
    #[error("{0}")]
    Unreadable(String),
    /// The ledger rejected it, or the database failed.
    #[error("{}", words::failure(.0))]
    Ledger(#[from] CommandError),
    /// It stopped in the middle; what came before stays.
    #[error("{source}. Before that {done}; this stays")]
    Stopped {
        /// What became of the rows before.
        done: String,
        #[source]
        source: Box<FeedTrouble>,
    },
    /// Something else failed, which the caller did not cause and does not see.
    #[error("the feed could not be worked on")]
    Other(#[source] Box<dyn std::error::Error + Send + Sync>),
}
