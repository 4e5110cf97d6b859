//! What every file that comes in shares: how it fails as a whole, and what becomes of its refused rows.

use crate::config::{Given, GivenError};
use feeds::{FeedError, Format, Reject, RejectsWriter, Shape};
use ledger::CommandError;
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};
use tempfile::TempPath;

/// Refused rows that a report tells of one by one; all of them stand in the rejects file.
pub const MAX_TOLD: usize = 100;

/// Why a file was not taken in to its end. What was taken before stays taken; the same file again
/// goes on.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// The file or its layout cannot be used.
    #[error(transparent)]
    Given(#[from] GivenError),
    /// The file as a whole is refused.
    #[error("{name}: {source}")]
    File {
        /// What it is called.
        name: String,
        /// Why.
        #[source]
        source: FeedError,
    },
    /// A rejects file could not be written, if there should be any.
    #[error(
        "refused rows would be written to {folder}, where no file can be made: {source}. Nothing was taken; feed the \
         file from a folder where this user may write", folder = folder.display()
    )]
    NoRejects {
        /// The folder.
        folder: PathBuf,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// The rejects file cannot be written.
    #[error("the refused rows cannot be written to {path}: {source}; may this user write there?", path = path.display())]
    Rejects {
        /// The rejects file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// The answer that was kept for the file cannot be read.
    #[error("the answer kept for this file cannot be read; take it in anew with --again")]
    Kept(#[source] serde_json::Error),
    /// The thread that read the file broke down.
    #[error("reading the file broke down; nothing behind the last full chunk was taken")]
    Reader(#[source] tokio::task::JoinError),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] CommandError),
    /// It stopped in the middle: part of it is taken.
    #[error(
        "{source}. Before that {done}; this stays, and the same file can be fed again: nothing is taken twice"
    )]
    Stopped {
        /// What became of the rows before.
        done: String,
        /// Why it stopped.
        #[source]
        source: Box<IntakeError>,
    },
}

impl IntakeError {
    /// The same, with how far the run had come; as it is where nothing was taken yet.
    pub(crate) fn after(self, done: Option<String>) -> Self {
        match done {
            Some(done) => Self::Stopped { done, source: Box::new(self) },
            None => self,
        }
    }
}

/// A row, or an order, that was refused.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RefusedRow {
    /// The line that it begins on, from 1.
    pub line: u64,
    /// Our name of the field that is to blame, if one is.
    pub field: Option<String>,
    /// Where, what and what to do, in one sentence.
    pub reason: String,
}

impl RefusedRow {
    fn of(reject: &Reject) -> Self {
        Self { line: reject.line(), field: reject.field().map(str::to_owned), reason: reject.to_string() }
    }
}

/// Names that are tried for a rejects file: a person mends or clears away long before.
const MAX_NAMES: u32 = 1000;

/// The refused rows of one run: some to tell, all for the rejects file. It is made before anything is
/// taken, so that one that cannot be written is found in time; it gets its name when the last row is in
/// it, and never that of a file that is there.
pub(crate) struct Rejects {
    stem: String,
    shape: Option<Shape>,
    /// Under a hidden name until it is whole; gone with this if nothing was refused.
    part: Option<(PathBuf, TempPath)>,
    file: Option<File>,
    writer: Option<RejectsWriter<BufWriter<File>>>,
    /// How many there were.
    pub(crate) count: u64,
    /// The first of them.
    pub(crate) told: Vec<RefusedRow>,
}

impl Rejects {
    /// For a file; a dry run tells and writes nothing.
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

    /// One more refusal, or more rows of the one before.
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

    /// Gives the rejects file its name; none if nothing was refused. An older one of the same name stays:
    /// it belongs to an earlier run, may be mended already, or may be the file just fed in.
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
            // The same file fed once more refuses the same.
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

/// Whether two files hold the same.
fn same_bytes(one: &Path, two: &Path) -> io::Result<bool> {
    if fs::metadata(one)?.len() != fs::metadata(two)?.len() {
        return Ok(false);
    }
    Ok(feeds::hash::file_hash(File::open(one)?)? == feeds::hash::file_hash(File::open(two)?)?)
}
