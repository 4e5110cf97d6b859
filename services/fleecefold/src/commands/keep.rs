//! `fleecefold backup | restore`

use super::check;
use crate::bar::Steps;
use crate::cli::{BackupArgs, RestoreArgs};
use crate::ending::{CliError, Ending};
use crate::place::Place;
use ledger::{Access, SystemClock};
use std::sync::Arc;

pub(super) async fn backup(place: &Place, args: BackupArgs) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Read).await?;
    let steps = Steps::new("backup");
    let written = ledger.backup(&args.file, |table, rows| steps.at(table, rows)).await;
    drop(steps);
    ledger.close().await;
    let written = written?;
    eprintln!("{} rows written to {}, SHA-256 {}", written.rows, args.file.display(), written.sha256);
    Ok(Ending::Done)
}

pub(super) async fn restore(place: &Place, args: RestoreArgs) -> Result<Ending, CliError> {
    let steps = Steps::new("restore");
    let clock = Arc::new(SystemClock);
    let restored = ledger::restore(&args.file, place.url(), clock, |table, rows| steps.at(table, rows)).await;
    drop(steps);
    let restored = restored?;
    eprintln!("{} rows put back, as the shop was at {}", restored.rows, restored.made);
    if restored.check.is_clean() {
        return Ok(Ending::Done);
    }
    check::show(&restored.check).map_err(CliError::Stdout)?;
    eprintln!("the backup was put back as it is, and in it the shop's laws are broken");
    Ok(Ending::Broken)
}
