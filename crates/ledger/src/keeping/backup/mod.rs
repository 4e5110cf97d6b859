//! Backup and restore: a shop as one text file, from which either engine can be filled.
//!
//! The file is JSON Lines. The first line says what it is, the schema's step, when it was made, and its
//! tables and columns. Every further line is one row. The last line counts the rows of each table and
//! has the SHA-256 of everything before it, so that a file that is cut off or damaged is noticed before
//! anything is restored. It is taken from one snapshot while the shop goes on selling. After the rows
//! come the files of the pictures, each as a line with its name and its bytes in base64: one file holds
//! the whole shop, and one hash covers all of it. The keys that sign tokens are left out on purpose, so
//! that nobody can make a token with a backup that they found.

mod pictures;
mod put_back;
mod read;
mod write;

pub use pictures::LeftOut;
pub use put_back::{Restored, restore};
pub use write::BackedUp;

use crate::people::NO_PASSWORD;
use crate::store::error::CommandError;
use crate::store::tables::{Kind, TABLES, Table};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// The name of the format in the first line.
const FORMAT: &str = "fleecefold-backup";
/// The version of the file's format; the schema's step is separate. The first version had no pictures
/// and can still be read.
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
    columns: Vec<(String, Kind)>,
    key: Vec<String>,
}

/// The last line.
#[derive(Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Trailer {
    rows: BTreeMap<String, u64>,
    sha256: String,
}

/// A column that no backup holds, and what stands there instead: secrets of people, even hashed, are not for whoever
/// finds a backup.
struct Withheld {
    table: &'static str,
    column: &'static str,
    instead: Option<&'static str>,
}

const WITHHELD: &[Withheld] = &[
    Withheld { table: "person", column: "password", instead: Some(NO_PASSWORD) },
    Withheld { table: "person", column: "pin", instead: None },
];

fn withheld(table: &Table, at: usize) -> Option<&'static Withheld> {
    let column = table.columns.get(at).map(|(name, _)| *name);
    WITHHELD.iter().find(|withheld| withheld.table == table.name && Some(withheld.column) == column)
}

/// The tables for the first line.
fn table_headers() -> Vec<TableHeader> {
    let header = |t: &&Table| TableHeader {
        name: t.name.to_owned(),
        columns: t.columns.iter().map(|(name, kind)| ((*name).to_owned(), *kind)).collect(),
        key: t.key.iter().map(|at| t.columns[*at].0.to_owned()).collect(),
    };
    TABLES.iter().map(header).collect()
}

/// Why a backup was not made or not restored. Nothing is ever half done: a file or a shop is complete,
/// or not there at all.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// There is a file where the backup should go, and it may be the only good one.
    #[error("{path} is there already, and a backup never overwrites a file. Give another name", path = path.display())]
    Taken {
        /// The existing file.
        path: PathBuf,
    },
    /// The file cannot be created or written.
    #[error("{path} cannot be written; is there space, and may this user write there?", path = path.display())]
    Write {
        /// The file for the backup.
        path: PathBuf,
        /// The system's error.
        #[source]
        source: std::io::Error,
    },
    /// The file cannot be read.
    #[error("{path} cannot be read", path = path.display())]
    Read {
        /// The backup file.
        path: PathBuf,
        /// The system's error.
        #[source]
        source: std::io::Error,
    },
    /// Another kind of file.
    #[error("{path} is not a Fleecefold backup", path = path.display())]
    NotABackup {
        /// The file that was given.
        path: PathBuf,
    },
    /// It was made by a newer program.
    #[error("{path} was made by a newer Fleecefold (form {version}, schema step {step}); update this program", path = path.display())]
    Newer {
        /// The backup file.
        path: PathBuf,
        /// Its format version.
        version: i64,
        /// Its schema step.
        step: i64,
    },
    /// It was made with an earlier schema step.
    #[error(
        "{path} was made by an older Fleecefold (schema step {step}, this one has {ours}); restore it with that \
         program, and open the shop with this one: it is brought up to date then", path = path.display()
    )]
    Older {
        /// The backup file.
        path: PathBuf,
        /// Its schema step.
        step: i64,
        /// The schema step of this program.
        ours: i64,
    },
    /// The file is cut off.
    #[error("{path} is cut off after line {lines}; use another backup", path = path.display())]
    CutOff {
        /// The backup file.
        path: PathBuf,
        /// Complete lines before the cut.
        lines: u64,
    },
    /// The file is not what was written.
    #[error("{path} is damaged{}; use another backup", at_line(*line), path = path.display())]
    Damaged {
        /// The backup file.
        path: PathBuf,
        /// The line with the damage, if it can be told.
        line: Option<u64>,
    },
    /// There is a shop at the target.
    #[error("{place} is there already; a backup is put back into a new place, never over a shop")]
    Exists {
        /// The target.
        place: String,
    },
    /// The target has a shop that is in use.
    #[error("the database at {place} has rows in {table}: it is a shop in use; restore into a new database")]
    InUse {
        /// The target.
        place: String,
        /// The first table that differs from a fresh shop.
        table: &'static str,
    },
    /// There is no folder for the pictures.
    #[error(
        "the backup holds {count} files of photographs, and a shop on a server has no folder of its own for them; \
         say where they go with --pictures DIR"
    )]
    NoFolder {
        /// How many picture files the backup has.
        count: u64,
    },
    /// Another file has the name of a picture.
    #[error("{path} is there and is another picture; put the backup back where none are, or name another folder", path = path.display())]
    OtherPicture {
        /// The existing file.
        path: PathBuf,
    },
    /// New identifiers would come before those in the backup.
    #[error(
        "this machine's clock says {now}, and the backup holds records of {latest}; set the clock right first"
    )]
    ClockBehind {
        /// This machine's time.
        now: String,
        /// The time of the latest identifier.
        latest: String,
    },
    /// The ledger failed or rejected something.
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
