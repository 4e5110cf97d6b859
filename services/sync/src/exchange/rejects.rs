//! What every file that comes in shares: how it fails as a whole, and what becomes of its refused rows.

use crate::given::{Given, GivenError};
use feeds::{FeedError, Format, Reject, RejectsWriter, Shape};
use ledger::Failure;
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

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
    Ledger(#[from] Failure),
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

/// The refused rows of one run: some to tell, all for the rejects file, which is made when the
/// first comes and gets its name when the last is in it.
pub(crate) struct Rejects {
    folder: Option<PathBuf>,
    stem: String,
    shape: Option<Shape>,
    writer: Option<(PathBuf, RejectsWriter<BufWriter<File>>)>,
    /// How many there were.
    pub(crate) count: u64,
    /// The first of them.
    pub(crate) told: Vec<RefusedRow>,
}

impl Rejects {
    /// For a file; a dry run tells and writes nothing.
    pub(crate) fn new(given: &Given, wanted: bool) -> Self {
        let folder = given.rejects_folder().filter(|_| wanted).map(Path::to_owned);
        let stem = given.stem().to_owned();
        Self { folder, stem, shape: None, writer: None, count: 0, told: Vec::new() }
    }

    pub(crate) fn shape(&mut self, shape: Shape) {
        self.shape = Some(shape);
    }

    /// One more refusal.
    pub(crate) fn push(&mut self, reject: &Reject) -> Result<(), IntakeError> {
        self.count += 1;
        if self.told.len() < MAX_TOLD {
            self.told.push(RefusedRow::of(reject));
        }
        let Some(folder) = self.folder.clone().filter(|_| !reject.rows().is_empty()) else { return Ok(()) };
        self.write(&folder, reject)
            .map_err(|source| IntakeError::Rejects { path: folder.join(self.file_name()), source })
    }

    fn write(&mut self, folder: &Path, reject: &Reject) -> io::Result<()> {
        if self.writer.is_none() {
            let Some(shape) = self.shape.clone() else { return Ok(()) };
            // Under a hidden name of this process until it is whole.
            let part = folder.join(format!(".{}.{}.part", self.file_name(), std::process::id()));
            let writer = RejectsWriter::new(BufWriter::new(File::create(&part)?), shape);
            self.writer = Some((part, writer));
        }
        match &mut self.writer {
            Some((_, writer)) => writer.write(reject),
            None => Ok(()),
        }
    }

    /// Gives the rejects file its name; none if nothing was refused. It says nothing about an older
    /// one of the same name: that belongs to an earlier run, and may be the file just fed in.
    pub(crate) fn finish(&mut self) -> Result<Option<PathBuf>, IntakeError> {
        let Some((part, writer)) = self.writer.take() else { return Ok(None) };
        let path = part.with_file_name(self.file_name());
        let named = writer.finish().and_then(|_| {
            File::open(&part)?.sync_all()?;
            fs::rename(&part, &path)
        });
        named.map_err(|source| IntakeError::Rejects { path: path.clone(), source })?;
        Ok(Some(path))
    }

    fn file_name(&self) -> String {
        let is_csv = self.shape.as_ref().is_none_or(|s| s.format() == Format::Csv);
        format!("{}.rejects.{}", self.stem, if is_csv { "csv" } else { "jsonl" })
    }
}

impl Drop for Rejects {
    /// A run that failed leaves no half rejects file: the same file again writes a whole one.
    fn drop(&mut self) {
        if let Some((part, writer)) = self.writer.take() {
            drop(writer);
            let _ = fs::remove_file(part);
        }
    }
}
