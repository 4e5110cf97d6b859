//! `fleecefold backup | restore`

use super::check;
use crate::cli::{BackupArgs, RestoreArgs};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::progress::Steps;
use ledger::{Access, SystemClock};
use std::sync::Arc;

pub(super) async fn backup(place: &Place, args: BackupArgs) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Read).await?;
    args.pictures.tell(&ledger);
    let steps = Steps::new("backup");
    let written = ledger.backup(&args.file, |table, rows| steps.at(table, rows)).await;
    drop(steps);
    ledger.close().await;
    let written = written?;
    let (rows, files, file) = (written.rows, written.files, args.file.display());
    eprintln!("wrote {rows} rows and {files} photograph files to {file}, SHA-256 {}", written.sha256);
    for left_out in &written.left_out {
        eprintln!("left out {}: {}", left_out.name, left_out.why);
    }
    if written.missing > written.left_out.len() as u64 {
        eprintln!("{} photograph files are missing in total", written.missing);
    }
    Ok(Ending::Done)
}

pub(super) async fn restore(place: &Place, args: RestoreArgs) -> Result<Ending, CliError> {
    let steps = Steps::new("restore");
    let clock = Arc::new(SystemClock);
    let pictures = args.pictures.folder.as_deref();
    let at = |table: &str, rows| steps.at(table, rows);
    let restored = ledger::keeping::restore(&args.file, place.url(), pictures, clock, at).await;
    drop(steps);
    let restored = restored?;
    let (rows, files) = (restored.rows, restored.files);
    eprintln!("restored {rows} rows and {files} photograph files; this is the shop as of {}", restored.made);
    eprintln!(
        "backups do not contain the keys that sign tokens; if you do not have the keys file, make new tokens for devices and programs"
    );
    eprintln!(
        "nor has it passwords, PINs or known devices: set a password with `fleecefold user password NAME`, and \
         enroll the devices anew"
    );
    if restored.check.is_clean() {
        return Ok(Ending::Done);
    }
    check::show(&restored.check).map_err(CliError::Stdout)?;
    eprintln!("the backup was restored as it is, but something in it does not add up");
    Ok(Ending::Broken)
}
