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
    eprintln!("{rows} rows written to {file}, and {files} files of photographs, SHA-256 {}", written.sha256);
    for left_out in &written.left_out {
        eprintln!("without {}: {}", left_out.name, left_out.why);
    }
    if written.missing > written.left_out.len() as u64 {
        eprintln!("{} files of photographs are missing in all", written.missing);
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
    eprintln!("{rows} rows put back, and {files} files of photographs, as the shop was at {}", restored.made);
    eprintln!(
        "no backup has the keys that sign tokens; if they are not here, make those of devices and programs anew"
    );
    eprintln!(
        "nor has it passwords, PINs or known devices: set a password with `fleecefold user password NAME`, and \
         enroll the devices anew"
    );
    if restored.check.is_clean() {
        return Ok(Ending::Done);
    }
    check::show(&restored.check).map_err(CliError::Stdout)?;
    eprintln!("the backup was put back as it is, and in it the shop's laws are broken");
    Ok(Ending::Broken)
}
