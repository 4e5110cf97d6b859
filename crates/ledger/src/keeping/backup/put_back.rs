//! Restores a backup into a new file, or into a database without a shop that is in use.

use super::pictures::Placing;
use super::read::{Entry, Proved, Reader, Value, prove};
use super::{BackupError, write};
use super::{Withheld, withheld};
use crate::customers::erase;
use crate::keeping::check::CheckReport;
use crate::shelf::photographs::PICTURES;
use crate::store::clock::Clock;
use crate::store::sql::{MAX_ROWS, insert_rows};
use crate::store::tables::{TABLES, Table};
use crate::store::{Access, DatabaseUrl, Ledger, without_password};
use domain::day::Moment;
use domain::ids::{COUNTER_BITS, CustomerId, EPOCH_MS, NODE_BITS};
use serde::Serialize;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The result of a restore.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Restored {
    /// Rows that were restored.
    pub rows: u64,
    /// Picture files that were restored.
    pub files: u64,
    /// When the backup was made.
    pub made: String,
    /// Whether everything in the restored shop adds up. A backup of a shop with wrong books is restored
    /// as it is, and this says so.
    pub check: CheckReport,
}

/// Restores a backup to `sqlite:FILE`, which must not exist, or to `postgres://…`, which must not have
/// a shop in use. Pictures go to `pictures`, or beside the file if that is not given. It restores
/// everything or nothing. `erased` are people who were erased after the backup was made; they stay erased. `progress` gets the table and the number of rows so far.
pub async fn restore(
    file: &Path,
    url: &str,
    pictures: Option<&Path>,
    erased: &[CustomerId],
    clock: Arc<dyn Clock>,
    mut progress: impl FnMut(&str, u64) + Send,
) -> Result<Restored, BackupError> {
    let place = DatabaseUrl::read(url)?;
    if let Some(path) = place.path() {
        refuse_if_there(path)?;
    }
    let proved = prove(file)?;
    refuse_old_clock(proved.last_id, clock.now())?;
    let beside = || Some(place.path()?.parent()?.join(PICTURES));
    let folder = pictures.map(Path::to_owned).or_else(beside);
    if folder.is_none() && proved.files > 0 {
        return Err(BackupError::NoFolder { count: proved.files });
    }
    let mut placing = Placing::into_folder(folder);
    let Some(path) = place.path() else {
        let restored = fill((file, erased), url, clock, &proved, &mut placing, &mut progress).await?;
        placing.keep()?;
        return Ok(restored);
    };
    let part = Part::beside(path);
    let part_url = format!("sqlite:{}", part.0.display());
    let restored = fill((file, erased), &part_url, clock, &proved, &mut placing, &mut progress).await?;
    let failed = |source| BackupError::Write { path: path.to_owned(), source };
    // Checked again: it took a while, and renaming would overwrite whatever came in the meantime.
    refuse_if_there(path)?;
    std::fs::rename(&part.0, path).map_err(failed)?;
    write::sync_folder(path).map_err(failed)?;
    placing.keep()?;
    Ok(restored)
}

/// The engine's own files beside a database count too: a log left over from a deleted file would be
/// taken for this one's.
const BESIDE: [&str; 4] = ["", "-wal", "-shm", "-journal"];

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

fn refuse_if_there(path: &Path) -> Result<(), BackupError> {
    match BESIDE.iter().map(|suffix| with_suffix(path, suffix)).find(|p| p.exists()) {
        Some(there) => Err(BackupError::Exists { place: there.display().to_string() }),
        None => Ok(()),
    }
}

/// Identifiers are ordered by time and never repeat, so the next one must come after the backup's last
/// one.
fn refuse_old_clock(last_id: i64, now: Moment) -> Result<(), BackupError> {
    let latest = EPOCH_MS + (last_id >> (NODE_BITS + COUNTER_BITS));
    if now.millis() > latest {
        return Ok(());
    }
    Err(BackupError::ClockBehind { now: now.to_string(), latest: Moment::from_millis(latest).to_string() })
}

/// A database under another name until it is complete; leftovers are removed.
struct Part(PathBuf);

impl Part {
    fn beside(path: &Path) -> Self {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let part = Self(path.with_file_name(format!(".{name}.{}.restoring", std::process::id())));
        part.remove();
        part
    }

    fn remove(&self) {
        for suffix in BESIDE {
            // Most of these do not exist; one that cannot be removed is never opened again.
            let _ = std::fs::remove_file(with_suffix(&self.0, suffix));
        }
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        self.remove();
    }
}

async fn fill(
    (file, erased): (&Path, &[CustomerId]),
    url: &str,
    clock: Arc<dyn Clock>,
    proved: &Proved,
    placing: &mut Placing,
    progress: &mut (impl FnMut(&str, u64) + Send),
) -> Result<Restored, BackupError> {
    let ledger = Ledger::open(url, Access::Create, clock).await?;
    let loaded = load(&ledger, (file, erased), url, placing, progress).await;
    let checked = match loaded {
        Ok(()) => checked(&ledger, progress, proved.rows).await,
        Err(error) => Err(error),
    };
    ledger.close().await;
    let (rows, files, made) = (proved.rows, proved.files, proved.made.clone());
    Ok(Restored { rows, files, made, check: checked? })
}

async fn checked(
    ledger: &Ledger,
    progress: &mut (impl FnMut(&str, u64) + Send),
    rows: u64,
) -> Result<CheckReport, BackupError> {
    ledger.refresh_shop().await?;
    Ok(ledger.check(|what| progress(what, rows)).await?)
}

/// All rows in one transaction, which is committed once the file was found to be complete for a second
/// time.
async fn load(
    ledger: &Ledger,
    (file, erased): (&Path, &[CustomerId]),
    url: &str,
    placing: &mut Placing,
    progress: &mut (impl FnMut(&str, u64) + Send),
) -> Result<(), BackupError> {
    let mut tx = ledger.begin().await?;
    // Everybody else who writes to this database waits at this row, so what is found here stays so.
    tx.lock_shop_state(0).await?;
    refuse_in_use(tx.db(), url).await?;
    for table in TABLES.iter().rev().filter(|t| t.fresh > 0) {
        sqlx::query(AssertSqlSafe(format!("DELETE FROM {}", table.name))).execute(tx.db()).await?;
    }
    let (mut reader, _) = Reader::open(file)?;
    let (mut batch, mut of, mut done) = (Vec::with_capacity(MAX_ROWS), TABLES[0], 0);
    let mut files = 0;
    while let Some(entry) = reader.next_entry()? {
        let (table, row) = match entry {
            Entry::Row(row) => row,
            Entry::File(picture) => {
                placing.place(&picture)?;
                files += 1;
                progress("photographs", files);
                continue;
            }
        };
        if batch.len() == MAX_ROWS || !std::ptr::eq(table, of) {
            done += batch.len() as u64;
            insert(tx.db(), of, &batch).await?;
            progress(of.name, done);
            batch.clear();
            of = table;
        }
        batch.push(row);
    }
    insert(tx.db(), of, &batch).await?;
    erase::replay(&mut tx, erased).await?;
    Ok(tx.commit().await?)
}

async fn insert(
    connection: &mut AnyConnection,
    table: &'static Table,
    rows: &[Vec<Value>],
) -> Result<(), BackupError> {
    insert_rows(connection, table, rows, |statement, row| {
        row.iter().enumerate().fold(statement, |statement, (at, value)| {
            // Whatever the file says: nobody gets a role by writing it into a backup.
            if let Some(Withheld { instead, .. }) = withheld(table, at) {
                return statement.bind(instead.map(str::to_owned));
            }
            match value {
                Value::Int(number) => statement.bind(*number),
                Value::Text(text) => statement.bind(text.clone()),
            }
        })
    })
    .await?;
    Ok(())
}

/// Only what every fresh shop has may be there.
async fn refuse_in_use(connection: &mut AnyConnection, url: &str) -> Result<(), BackupError> {
    for table in TABLES {
        let text = format!("SELECT CAST(COUNT(*) AS BIGINT) AS count FROM {}", table.name);
        let rows: i64 =
            sqlx::query(AssertSqlSafe(text)).fetch_one(&mut *connection).await?.try_get("count")?;
        if rows != table.fresh {
            return Err(BackupError::InUse { place: without_password(url), table: table.name });
        }
    }
    let used = sqlx::query(
        "SELECT id FROM shop_state WHERE receipt <> 0 OR in_store <> 0 OR settings_revision <> 0",
    )
    .fetch_optional(connection)
    .await?;
    match used {
        Some(_) => Err(BackupError::InUse { place: without_password(url), table: "shop_state" }),
        None => Ok(()),
    }
}
