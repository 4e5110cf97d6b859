//! Backup and restore: a shop as one text file that either engine can be filled from.
//!
//! The file is JSON Lines. The first line says what it is, of which step of the schema, when it was
//! made, and which tables and columns it holds; each further line is one row; the last counts the
//! rows of each table and gives the SHA-256 of everything before it, so that a file that was cut off
//! or damaged is noticed before anything is put back. It is taken from one snapshot while the shop
//! goes on selling. After the rows come the files of the pictures, each as a line with its name and
//! its bytes in base64: one file holds the shop, and one hash vouches for all of it. The keys that
//! sign tokens are left out on purpose: whoever finds a backup must not be able to make a token.

mod pictures;
mod put_back;
mod read;
mod tables;
mod write;

pub use pictures::LeftOut;
pub use put_back::{Restored, restore};
pub use write::BackedUp;

use crate::store::error::CommandError;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;
use tables::TABLES;

/// What the first line calls a backup.
const FORMAT: &str = "fleecefold-backup";
/// The version of the file's own form; the schema's step is told beside it. The first form had no
/// pictures, and is still read.
const VERSION: i64 = 2;

/// The first line.
#[derive(Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    format: String,
    version: i64,
    schema: i64,
    made: String,
    tables: Vec<TableHeader>,
}

/// A table in the first line.
#[derive(Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TableHeader {
    name: String,
    columns: Vec<(String, tables::Kind)>,
    key: Vec<String>,
}

/// The last line.
#[derive(Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Trailer {
    rows: BTreeMap<String, u64>,
    sha256: String,
}

/// The tables as the first line tells them.
fn table_headers() -> Vec<TableHeader> {
    let header = |t: &tables::Table| TableHeader {
        name: t.name.to_owned(),
        columns: t.columns.iter().map(|(name, kind)| ((*name).to_owned(), *kind)).collect(),
        key: t.key.iter().map(|at| t.columns[*at].0.to_owned()).collect(),
    };
    TABLES.iter().map(header).collect()
}

/// Why a backup was not made or not put back. Nothing is half done: a file or a shop is there whole
/// or not at all.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// A file stands where the backup should go, which may be the only good one.
    #[error("{path} is there already, and a backup never overwrites a file. Give another name", path = path.display())]
    Taken {
        /// The file.
        path: PathBuf,
    },
    /// The file cannot be made or written.
    #[error("{path} cannot be written; is there space, and may this user write there?", path = path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// The file cannot be read.
    #[error("{path} cannot be read", path = path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// Another kind of file.
    #[error("{path} is not a Fleecefold backup", path = path.display())]
    NotABackup {
        /// The file.
        path: PathBuf,
    },
    /// Made by a newer program.
    #[error("{path} was made by a newer Fleecefold (form {version}, schema step {step}); update this program", path = path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// The form of the file.
        version: i64,
        /// The step of its schema.
        step: i64,
    },
    /// Made under an earlier step of the schema.
    #[error(
        "{path} was made by an older Fleecefold (schema step {step}, this one has {ours}); restore it with that \
         program, and open the shop with this one: it is brought up to date then", path = path.display()
    )]
    Older {
        /// The file.
        path: PathBuf,
        /// The step of its schema.
        step: i64,
        /// The step of this program.
        ours: i64,
    },
    /// The file ends before its end.
    #[error("{path} is cut off after line {lines}; use another backup", path = path.display())]
    CutOff {
        /// The file.
        path: PathBuf,
        /// Whole lines before the cut.
        lines: u64,
    },
    /// The file does not hold what was written.
    #[error("{path} is damaged{}; use another backup", at_line(*line), path = path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// Where it is seen, if it is seen at a place.
        line: Option<u64>,
    },
    /// There is a shop already.
    #[error("{place} is there already; a backup is put back into a new place, never over a shop")]
    Exists {
        /// Where.
        place: String,
    },
    /// There is a shop in use.
    #[error("the database at {place} has rows in {table}: it is a shop in use; restore into a new database")]
    InUse {
        /// Where.
        place: String,
        /// The first table that is not as in a fresh shop.
        table: &'static str,
    },
    /// There is no place for the pictures.
    #[error(
        "the backup holds {count} files of photographs, and a shop on a server has no folder of its own for them; \
         say where they go with --pictures DIR"
    )]
    NoFolder {
        /// How many files.
        count: u64,
    },
    /// Another file has the name of a picture.
    #[error("{path} is there and is another picture; put the backup back where none are, or name another folder", path = path.display())]
    OtherPicture {
        /// The file.
        path: PathBuf,
    },
    /// New identifiers would come before those of the backup.
    #[error(
        "this machine's clock says {now}, and the backup holds records of {latest}; set the clock right first"
    )]
    ClockBehind {
        /// Now.
        now: String,
        /// The moment of the latest identifier.
        latest: String,
    },
    /// The shop.
    #[error(transparent)]
    Shop(#[from] CommandError),
}

fn at_line(line: Option<u64>) -> String {
    line.map(|line| format!(" (line {line})")).unwrap_or_default()
}

impl From<sqlx::Error> for BackupError {
    fn from(error: sqlx::Error) -> Self {
        Self::Shop(error.into())
    }
}

impl From<crate::store::storage_error::StorageError> for BackupError {
    fn from(trouble: crate::store::storage_error::StorageError) -> Self {
        Self::Shop(trouble.into())
    }
}

#[cfg(test)]
mod tests;
