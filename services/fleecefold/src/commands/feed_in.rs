//! `fleecefold feed in`

use super::{WHO, tell_refused};
use crate::cli::FeedInArgs;
use crate::config::{layout, named};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::progress::Bar;
use ledger::Access;
use sync::Watch;
use sync::exchange::{OrdersRun, feed_in};

pub(super) async fn run(place: &Place, args: FeedInArgs) -> Result<Ending, CliError> {
    let given = named(&args.file)?;
    let layout = layout(args.layout.as_deref())?;
    // A dry run changes nothing, so it does not create a shop either.
    let ledger = place.open(if args.dry_run { Access::Write } else { Access::Create }).await?;
    let watch = Watch::new();
    let bar = Bar::over(&watch, "orders");
    let run = OrdersRun {
        given: &given,
        layout: layout.as_ref(),
        past: args.past,
        dry_run: args.dry_run,
        who: WHO,
        watch,
    };
    let fed = feed_in(&ledger, &run).await;
    drop(bar);
    ledger.close().await;
    let report = fed?;
    tell_refused(given.name(), report.rejected, &report.refused, report.rejects_file.as_deref());
    let dry = if report.dry_run { " (dry run: nothing was booked)" } else { "" };
    eprintln!("{report}{dry}");
    if report.short > 0 && !report.dry_run {
        eprintln!("choose for each out-of-stock line: substitute, refund, or release a hold");
    }
    if report.unknown_status > 0 && !report.dry_run {
        eprintln!(
            "an order with an unknown status keeps its stock on hold until you say what it is; \
             `fleecefold orders list --attention` lists it"
        );
    }
    Ok(Ending::by_rejected(report.rejected))
}
