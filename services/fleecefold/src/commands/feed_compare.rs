//! `fleecefold feed compare`

use super::tell_refused;
use crate::cli::CompareArgs;
use crate::config::{layout, named};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::progress::Bar;
use ledger::Access;
use std::io::{self, Write};
use sync::Watch;
use sync::exchange::{CompareReport, CompareRun, compare};

pub(super) async fn run(place: &Place, args: CompareArgs) -> Result<Ending, CliError> {
    let given = named(&args.file)?;
    let layout = layout(args.layout.as_deref())?;
    let ledger = place.open(if args.adopt { Access::Write } else { Access::Read }).await?;
    let watch = Watch::new();
    let bar = Bar::over(&watch, "listings");
    let run = CompareRun { given: &given, layout: layout.as_ref(), adopt: args.adopt, watch };
    let compared = compare(&ledger, &run).await;
    drop(bar);
    ledger.close().await;
    let report = compared?;
    show(&report).map_err(CliError::Stdout)?;
    tell_refused(given.name(), report.rejected, &report.refused, None);
    eprintln!("{} listings read, {} differences", report.listed, report.differences.len());
    if args.adopt {
        eprintln!("{} items now count as listed; the next `feed out` corrects what differs", report.adopted);
    }
    Ok(Ending::by_rejected(report.rejected))
}

/// Prints one difference per line, its kind first.
fn show(report: &CompareReport) -> io::Result<()> {
    let mut out = io::stdout().lock();
    for difference in &report.differences {
        // A listing's text may contain line breaks; keep one difference per line.
        let words = difference.to_string().replace(['\n', '\r'], " ");
        writeln!(out, "{:<8}  {words}", difference.code())?;
    }
    out.flush()
}
