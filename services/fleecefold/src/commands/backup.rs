//! `fleecefold backup | restore`

use super::check;
use crate::cli::{BackupArgs, RestoreArgs};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::progress::Steps;
use domain::ids::CustomerId;
use ledger::{Access, SystemClock};
use std::path::Path;
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

/// A list of identifiers, one a line.
fn read_erased(path: &Path) -> Result<Vec<CustomerId>, CliError> {
    let file = path.display().to_string();
    let text =
        std::fs::read_to_string(path).map_err(|source| CliError::Text { file: file.clone(), source })?;
    let lines = text.lines().zip(1..).filter(|(line, _)| !line.trim().is_empty());
    let id = |(line, number): (&str, usize)| {
        line.trim().parse().map_err(|source| CliError::ErasedId { file: file.clone(), line: number, source })
    };
    lines.map(id).collect()
}

pub(super) async fn restore(place: &Place, args: RestoreArgs) -> Result<Ending, CliError> {
    let erased = args.erased.as_deref().map(read_erased).transpose()?.unwrap_or_default();
    let steps = Steps::new("restore");
    let clock = Arc::new(SystemClock);
    let pictures = args.pictures.folder.as_deref();
    let at = |table: &str, rows| steps.at(table, rows);
    let restored = ledger::keeping::restore(&args.file, place.url(), pictures, &erased, clock, at).await;
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
