//! `fleecefold check`

use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::progress::Steps;
use ledger::Access;
use ledger::keeping::CheckReport;
use std::io::{self, Write};

pub(super) async fn run(place: &Place) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Read).await?;
    let steps = Steps::new("checking");
    let mut done = 0;
    let checked = ledger
        .check(|what| {
            done += 1;
            steps.at(what, done);
        })
        .await;
    drop(steps);
    ledger.close().await;
    let report = checked?;
    if report.is_clean() {
        eprintln!("stock, money and books add up");
        return Ok(Ending::Done);
    }
    show(&report).map_err(CliError::Stdout)?;
    eprintln!("something does not add up; restore a backup to a new place and compare");
    Ok(Ending::Broken)
}

/// Prints one finding per line.
pub(super) fn show(report: &CheckReport) -> io::Result<()> {
    let mut out = io::stdout().lock();
    for finding in &report.findings {
        writeln!(out, "{finding}")?;
    }
    for (law, count) in &report.more {
        writeln!(out, "{law}: and {count} more")?;
    }
    out.flush()
}
