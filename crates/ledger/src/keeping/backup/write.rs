//! Writes a backup.

use super::pictures::{self, FILE, LeftOut};
use super::{BackupError, FORMAT, Header, Trailer, VERSION, table_headers};
use super::{Withheld, withheld};
use crate::store::storage_error::StorageError;
use crate::store::tables::{Kind, TABLES, Table};
use crate::store::{Ledger, private_files, schema_step};
use serde::Serialize;
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Rows that are read at once, to limit memory whatever the shop's size. A stored answer may have some
/// 100 kB.
const AT_ONCE: usize = 500;

/// The result of a backup.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BackedUp {
    /// Rows in the backup.
    pub rows: u64,
    /// Picture files in the backup; a photograph has three.
    pub files: u64,
    /// Picture files that the shop knows and the backup lacks.
    pub missing: u64,
    /// The first of the missing files.
    pub left_out: Vec<LeftOut>,
    /// The SHA-256 of all lines before the last, which contains it; in hex.
    pub sha256: String,
}

impl Ledger {
    /// Writes the whole shop with its pictures to a new file, from one snapshot, while it stays open.
    /// An existing file is left alone, even one that appeared in the meantime. `progress` gets the
    /// table and the number of rows so far.
    pub async fn backup(
        &self,
        file: &Path,
        mut progress: impl FnMut(&str, u64) + Send,
    ) -> Result<BackedUp, BackupError> {
        if file.symlink_metadata().is_ok() {
            return Err(BackupError::Taken { path: file.to_owned() });
        }
        let mut part = Part::create(file)?;
        let done = self.write_backup(&mut part, &mut progress).await?;
        part.publish()?;
        Ok(done)
    }

    async fn write_backup(
        &self,
        part: &mut Part,
        progress: &mut (impl FnMut(&str, u64) + Send),
    ) -> Result<BackedUp, BackupError> {
        let mut snapshot = self.snapshot().await?;
        let header = Header {
            format: FORMAT.to_owned(),
            version: VERSION,
            schema: schema_step(),
            made: self.now().to_string(),
            tables: table_headers(),
        };
        part.line(&json(&header)?)?;
        let mut rows = BTreeMap::new();
        let mut total = 0;
        for table in TABLES {
            let before = total;
            progress(table.name, total);
            let mut page = first_page(&mut snapshot, table).await?;
            while let Some(last) = page.last() {
                for row in &page {
                    part.line(&row_line(table, row)?)?;
                }
                total += page.len() as u64;
                progress(table.name, total);
                page = next_page(&mut snapshot, table, last).await?;
            }
            rows.insert(table.name.to_owned(), total - before);
        }
        let names = pictures::names(&mut snapshot).await?;
        snapshot.rollback().await?;
        let (files, missing, left_out) = self.write_pictures(part, names, progress)?;
        rows.insert(FILE.to_owned(), files);
        let sha256 = part.hash_so_far();
        part.line(&json(&Trailer { rows, sha256: sha256.clone() })?)?;
        Ok(BackedUp { rows: total, files, missing, left_out, sha256 })
    }

    /// A picture's files are in their folder before its row is written, and are never removed, so those
    /// of the snapshot's rows can be read later. A missing file is reported and does not stop the
    /// backup.
    fn write_pictures(
        &self,
        part: &mut Part,
        names: BTreeSet<String>,
        progress: &mut (impl FnMut(&str, u64) + Send),
    ) -> Result<(u64, u64, Vec<LeftOut>), BackupError> {
        let folder = self.pictures_folder();
        let (mut files, mut missing, mut left_out) = (0, 0, Vec::new());
        for name in names {
            match pictures::read(folder.as_deref(), &name) {
                Ok(bytes) => {
                    part.line(&pictures::line(&name, &bytes).map_err(StorageError::KeptAnswer)?)?;
                    files += 1;
                    progress("photographs", files);
                }
                Err(why) => {
                    missing += 1;
                    pictures::leave_out(&mut left_out, name, why);
                }
            }
        }
        Ok((files, missing, left_out))
    }
}

fn json(value: &impl Serialize) -> Result<String, BackupError> {
    Ok(serde_json::to_string(value).map_err(StorageError::KeptAnswer)?)
}

async fn first_page(snapshot: &mut AnyConnection, table: &Table) -> Result<Vec<AnyRow>, BackupError> {
    let text =
        format!("SELECT {} FROM {} ORDER BY {} LIMIT {AT_ONCE}", table.list, table.name, table.key_list());
    Ok(sqlx::query(AssertSqlSafe(text)).fetch_all(snapshot).await?)
}

/// The rows after the last one by primary key; each page uses the key's index.
async fn next_page(
    snapshot: &mut AnyConnection,
    table: &Table,
    last: &AnyRow,
) -> Result<Vec<AnyRow>, BackupError> {
    let key = table.key_list();
    let places: Vec<String> = (1..=table.key.len()).map(|n| format!("${n}")).collect();
    let text = format!(
        "SELECT {} FROM {} WHERE ({key}) > ({}) ORDER BY {key} LIMIT {AT_ONCE}",
        table.list,
        table.name,
        places.join(", ")
    );
    let mut statement = sqlx::query(AssertSqlSafe(text));
    for at in table.key {
        statement = match table.columns[*at].1 {
            Kind::Int => statement.bind(last.try_get::<i64, _>(*at)?),
            Kind::Text => statement.bind(last.try_get::<String, _>(*at)?),
        };
    }
    Ok(statement.fetch_all(snapshot).await?)
}

impl Table {
    fn key_list(&self) -> String {
        self.key.iter().map(|at| self.columns[*at].0).collect::<Vec<_>>().join(", ")
    }
}

/// `["table",1,"text",null]`
fn row_line(table: &Table, row: &AnyRow) -> Result<String, BackupError> {
    let mut line = format!("[\"{}\"", table.name);
    for (at, (_, kind)) in table.columns.iter().enumerate() {
        line.push(',');
        if let Some(Withheld { instead, .. }) = withheld(table, at) {
            line.push_str(&json(instead)?);
            continue;
        }
        match kind {
            Kind::Int => match row.try_get::<Option<i64>, _>(at)? {
                // Writing to a String cannot fail.
                Some(number) => _ = write!(line, "{number}"),
                None => line.push_str("null"),
            },
            Kind::Text => line.push_str(&json(&row.try_get::<Option<String>, _>(at)?)?),
        }
    }
    line.push(']');
    Ok(line)
}

/// A file under another name until it is complete.
struct Part {
    part: PathBuf,
    file: PathBuf,
    out: Option<BufWriter<File>>,
    hash: Sha256,
}

impl Part {
    /// The other name contains the process id, so that two programs never write to one file. Only its
    /// owner can read it, because a backup contains customers' names.
    fn create(file: &Path) -> Result<Self, BackupError> {
        let name = file.file_name().unwrap_or_default().to_string_lossy();
        let part = file.with_file_name(format!(".{name}.{}.part", std::process::id()));
        let made = private_files::create(&part)
            .map_err(|source| BackupError::Write { path: file.to_owned(), source })?;
        Ok(Self { part, file: file.to_owned(), out: Some(BufWriter::new(made)), hash: Sha256::new() })
    }

    fn failed(&self) -> impl Fn(io::Error) -> BackupError + use<> {
        let path = self.file.clone();
        move |source| BackupError::Write { path: path.clone(), source }
    }

    fn line(&mut self, line: &str) -> Result<(), BackupError> {
        let failed = self.failed();
        self.hash.update(line.as_bytes());
        self.hash.update(b"\n");
        let out = self.out.as_mut().ok_or_else(|| failed(io::ErrorKind::NotConnected.into()))?;
        out.write_all(line.as_bytes()).and_then(|()| out.write_all(b"\n")).map_err(failed)
    }

    fn hash_so_far(&self) -> String {
        hex::encode(self.hash.clone().finalize())
    }

    /// Syncs the file, gives it its name, and syncs the folder: after a crash the file is complete or
    /// not there.
    fn publish(mut self) -> Result<(), BackupError> {
        let failed = self.failed();
        let Some(out) = self.out.take() else { return Ok(()) };
        let file = out.into_inner().map_err(|error| failed(error.into_error()))?;
        file.sync_all().map_err(&failed)?;
        self.name()?;
        sync_folder(&self.file).map_err(failed)
    }

    /// A second name never replaces a file. On disks without second names (many USB sticks), a check
    /// before renaming must do.
    fn name(&self) -> Result<(), BackupError> {
        let taken = || BackupError::Taken { path: self.file.clone() };
        match std::fs::hard_link(&self.part, &self.file) {
            Ok(()) => Ok(()),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(taken()),
            Err(_) if self.file.symlink_metadata().is_ok() => Err(taken()),
            Err(_) => std::fs::rename(&self.part, &self.file).map_err(self.failed()),
        }
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        // After `publish` nothing has this name; after a failure the first error is reported.
        let _ = std::fs::remove_file(&self.part);
    }
}

/// Writes a new file and syncs it.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = private_files::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Makes sure that a file's name is on disk.
pub(super) fn sync_folder(file: &Path) -> io::Result<()> {
    let folder = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder)?.sync_all()
}
