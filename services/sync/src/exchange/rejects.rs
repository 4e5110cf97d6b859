//! What all incoming files share: how they fail as a whole, and what happens to rejected rows.

use crate::config::{Given, GivenError};
use feeds::{FeedError, Format, Reject, RejectsWriter, Shape};
use ledger::CommandError;
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};
use tempfile::TempPath;

/// How many rejected rows a report lists; all of them are in the rejects file.
pub const MAX_TOLD: usize = 100;

/// Why a file was not taken in to its end. What was taken in before stays, and the same file again goes on from
/// there.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// The file or its layout cannot be used.
    #[error(transparent)]
    Given(#[from] GivenError),
    #[error("{name}: {source}")]
    File {
        name: String,
        #[source]
        source: FeedError,
    },
    /// A rejects file could not be written if one were needed.
    #[error(
        "refused rows would be written to {folder}, where no file can be made: {source}. Nothing was taken; feed the \
         file from a folder where this user may write", folder = folder.display()
    )]
    NoRejects {
        folder: PathBuf,
        #[source]
        source: io::Error,
    },
    /// The rejects file cannot be written.
    #[error("the refused rows cannot be written to {path}: {source}; may this user write there?", path = path.display())]
    Rejects {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    /// The stored answer for the file cannot be read.
    #[error("the saved answer for this file cannot be read; take the file in again with --again")]
    Kept(#[source] serde_json::Error),
    /// The thread that read the file failed.
    #[error("reading the file failed; nothing after the last complete chunk was taken in")]
    Reader(#[source] tokio::task::JoinError),
    #[error("{}", words::failure(.0))]
    Ledger(#[from] CommandError),
    /// It stopped in the middle, and part of the file is taken in.
    #[error(
        "{source}. Before that {done}; this is kept, and the same file can be taken in again: nothing is booked twice"
    )]
    Stopped {
        /// What happened to the rows before.
        done: String,
        #[source]
        source: Box<IntakeError>,
    },
}

impl IntakeError {
    /// Adds how far the run had come; unchanged if nothing was taken in yet.
    pub(crate) fn after(self, done: Option<String>) -> Self {
        match done {
            Some(done) => Self::Stopped { done, source: Box::new(self) },
            None => self,
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusedRow {
    /// The line that it begins on, from 1.
    pub line: u64,
    /// Our name of the field that causes it, if one does.
    pub field: Option<String>,
    /// Where it is, what is wrong and what to do, in one sentence.
    pub reason: String,
}

impl RefusedRow {
    fn of(reject: &Reject) -> Self {
        Self { line: reject.line(), field: reject.field().map(str::to_owned), reason: reject.to_string() }
    }
}

/// How many names are tried for a rejects file: somebody clears them away long before.
const MAX_NAMES: u32 = 1000;

/// The rejected rows of one run: some for the report, all for the rejects file. That file is created before
/// anything is taken in, so that a problem shows in time. It gets its name when the last row is in it, and
/// never replaces an existing file.
pub(crate) struct Rejects {
    stem: String,
    shape: Option<Shape>,
    /// Has a hidden name until it is complete, and disappears if nothing was rejected.
    part: Option<(PathBuf, TempPath)>,
    file: Option<File>,
    writer: Option<RejectsWriter<BufWriter<File>>>,
    pub(crate) count: u64,
    /// The first of them.
    pub(crate) told: Vec<RefusedRow>,
}

impl Rejects {
    /// For a file; a dry run writes nothing.
    pub(crate) fn new(given: &Given, wanted: bool) -> Result<Self, IntakeError> {
        let stem = given.stem().to_owned();
        let mut new =
            Self { stem, shape: None, part: None, file: None, writer: None, count: 0, told: Vec::new() };
        if let Some(folder) = given.rejects_folder().filter(|_| wanted) {
            let prefix = format!(".{}.rejects.", new.stem);
            let made = tempfile::Builder::new().prefix(&prefix).suffix(".part").tempfile_in(folder);
            let (file, part) = made
                .map_err(|source| IntakeError::NoRejects { folder: folder.to_owned(), source })?
                .into_parts();
            new.part = Some((folder.to_owned(), part));
            new.file = Some(file);
        }
        Ok(new)
    }

    pub(crate) fn shape(&mut self, shape: Shape) {
        if let Some(file) = self.file.take() {
            self.writer = Some(RejectsWriter::new(BufWriter::new(file), shape.clone()));
        }
        self.shape = Some(shape);
    }

    /// Adds a rejection, or more rows of the previous one.
    pub(crate) fn push(&mut self, reject: &Reject) -> Result<(), IntakeError> {
        if !reject.continues() {
            self.count += 1;
            if self.told.len() < MAX_TOLD {
                self.told.push(RefusedRow::of(reject));
            }
        }
        let written = match &mut self.writer {
            Some(writer) if !reject.rows().is_empty() => writer.write(reject),
            _ => Ok(()),
        };
        written.map_err(|source| self.failed(source))
    }

    fn failed(&self, source: io::Error) -> IntakeError {
        let folder = self.part.as_ref().map(|(folder, _)| folder.clone()).unwrap_or_default();
        IntakeError::Rejects { path: folder.join(self.file_name(1)), source }
    }

    /// Gives the rejects file its name; none if nothing was rejected. An older file with the same name stays:
    /// it belongs to an earlier run, may have been corrected, or may be the file that was just fed in.
    pub(crate) fn finish(&mut self) -> Result<Option<PathBuf>, IntakeError> {
        let Some((writer, (folder, part))) = self.writer.take().zip(self.part.take()) else {
            return Ok(None);
        };
        let written = writer.finish().and_then(|rows| {
            File::open(&part)?.sync_all()?;
            Ok(rows)
        });
        if written.map_err(|source| self.failed(source))? == 0 {
            return Ok(None);
        }
        self.name(&folder, part).map(Some)
    }

    fn name(&self, folder: &Path, mut part: TempPath) -> Result<PathBuf, IntakeError> {
        let mut path = folder.join(self.file_name(1));
        for number in 1..=MAX_NAMES {
            path = folder.join(self.file_name(number));
            // The same file fed again is rejected in the same way.
            if same_bytes(&path, &part).unwrap_or(false) {
                return Ok(path);
            }
            match part.persist_noclobber(&path) {
                Ok(()) => return Ok(path),
                Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => part = error.path,
                Err(error) => return Err(IntakeError::Rejects { path, source: error.error }),
            }
        }
        Err(IntakeError::Rejects { path, source: io::ErrorKind::AlreadyExists.into() })
    }

    fn file_name(&self, number: u32) -> String {
        let is_csv = self.shape.as_ref().is_none_or(|s| s.format() == Format::Csv);
        let ending = if is_csv { "csv" } else { "jsonl" };
        match number {
            1 => format!("{}.rejects.{ending}", self.stem),
            _ => format!("{}.rejects-{number}.{ending}", self.stem),
        }
    }
}

/// Whether two files have the same contents.
fn same_bytes(one: &Path, two: &Path) -> io::Result<bool> {
    if fs::metadata(one)?.len() != fs::metadata(two)?.len() {
        return Ok(false);
    }
    Ok(feeds::hash::file_hash(File::open(one)?)? == feeds::hash::file_hash(File::open(two)?)?)
}
