//! `fleecefold feed out`

use crate::cli::{FeedForm, FeedOutArgs};
use crate::config::layout;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::progress::Bar;
use ledger::Access;
use std::io;
use std::path::Path;
use sync::Watch;
use sync::exchange::{Destination, FeedOutReport, FeedOutRun, OutFormat, What, feed_out};

pub(super) async fn run(place: &Place, args: FeedOutArgs) -> Result<Ending, CliError> {
    let layout = layout(args.layout.as_deref())?;
    let ledger = place.open(Access::Write).await?;
    args.pictures.tell(&ledger);
    let watch = Watch::new();
    let bar = Bar::over(&watch, "listings");
    let to = if args.to == Path::new("-") {
        Destination::Stream(Box::new(io::stdout()))
    } else {
        Destination::Folder(args.to)
    };
    let run = FeedOutRun {
        what: match args.again {
            Some(run) => What::Again(run),
            None if args.changes => What::Changes,
            None => What::All,
        },
        format: match args.format {
            FeedForm::Csv => OutFormat::Csv,
            FeedForm::Json => OutFormat::Json,
        },
        layout: layout.as_ref(),
        to,
        watch,
    };
    let fed = feed_out(&ledger, run).await;
    drop(bar);
    ledger.close().await;
    tell(&fed?);
    Ok(Ending::Done)
}

fn tell(report: &FeedOutReport) {
    for picture in &report.missing {
        eprintln!("{}: the picture {} is missing: {}", picture.sku, picture.name, picture.why);
    }
    let untold = report.pictures_missing.saturating_sub(report.missing.len() as u64);
    if untold > 0 {
        eprintln!("{untold} more pictures are missing");
    }
    let Some(run) = report.run else {
        eprintln!("nothing has changed since the last feed");
        return;
    };
    let file = report.file.as_ref().map(|f| format!(" in {}", f.display())).unwrap_or_default();
    eprintln!("run {run}: {} listings{file}, {} of them ended", report.listings, report.ended);
}
