//! `fleecefold add styles | items`

use super::{WHO, tell_refused};
use crate::cli::AddArgs;
use crate::config::{layout, named};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::progress::Bar;
use ledger::{Access, Ledger};
use sync::Watch;
use sync::exchange::{AddReport, AddRun, IntakeError, add_items, add_styles};

#[derive(Clone, Copy, Debug)]
pub(super) enum What {
    Styles,
    Items,
}

impl What {
    fn words(self) -> &'static str {
        match self {
            Self::Styles => "styles",
            Self::Items => "items",
        }
    }
}

pub(super) async fn run(place: &Place, what: What, args: AddArgs) -> Result<Ending, CliError> {
    let given = named(&args.file)?;
    let layout = layout(args.layout.as_deref())?;
    let ledger = place.open(Access::Create).await?;
    let watch = Watch::new();
    let bar = Bar::over(&watch, what.words());
    let run = AddRun { given: &given, layout: layout.as_ref(), again: args.again, who: WHO, watch };
    let added = add(&ledger, what, &run).await;
    drop(bar);
    ledger.close().await;
    let report = added?;
    tell(given.name(), what, &report);
    Ok(Ending::by_rejected(report.rejected))
}

async fn add(ledger: &Ledger, what: What, run: &AddRun<'_>) -> Result<AddReport, IntakeError> {
    match what {
        What::Styles => add_styles(ledger, run).await,
        What::Items => add_items(ledger, run).await,
    }
}

fn tell(name: &str, what: What, report: &AddReport) {
    tell_refused(name, report.rejected, &report.refused, report.rejects_file.as_deref());
    if report.resumed_after > 0 {
        eprintln!(
            "{name}: went on behind the {} rows of a run that was cut off; they are counted too",
            report.resumed_after
        );
    }
    let before = if report.replayed {
        " (this file was taken in before, and nothing was done now; --again takes it in anew)"
    } else {
        ""
    };
    eprintln!("{}: {report}{before}", what.words());
}
