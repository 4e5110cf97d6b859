//! `fleecefold shelf`

use crate::cli::ShelfArgs;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::weight::WeightUnit;
use ledger::shelf::{ShelfQuery, ShelfRow};
use ledger::{Access, Ledger};

/// The same names as in the API.
const COLUMNS: [Column; 10] = [
    Column::words("style"),
    Column::words("size"),
    Column::words("color"),
    Column::words("kind"),
    Column::words("unitCode").headed("unit"),
    Column::number("onHand").headed("on hand"),
    Column::number("held"),
    Column::number("sold"),
    Column::number("lowestPrice").headed("from"),
    Column::number("highestPrice").headed("to"),
];

pub(super) async fn run(place: &Place, args: ShelfArgs) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Read).await?;
    let shown = show(&ledger, args.sold_out, args.format).await;
    ledger.close().await;
    shown.map(|()| Ending::Done)
}

pub(super) async fn show(ledger: &Ledger, sold_out: bool, form: TableForm) -> Result<(), CliError> {
    let rows = ledger.shelf(&ShelfQuery { sold_out }).await?;
    if rows.is_empty() && form == TableForm::Table {
        eprintln!("{}", if sold_out { "nothing is sold out" } else { "nothing is in stock" });
        return Ok(());
    }
    let rows = rows.iter().map(cells).collect();
    Table { columns: COLUMNS.to_vec(), rows, total: None }.print(form)
}

fn cells(row: &ShelfRow) -> Vec<Option<String>> {
    vec![
        Some(row.style.clone()),
        Some(row.size.clone()),
        Some(row.color.clone()),
        Some(row.kind.code().to_owned()),
        row.unit.map(WeightUnit::code).map(str::to_owned),
        Some(row.on_hand.to_string()),
        Some(row.held.to_string()),
        Some(row.sold.to_string()),
        Some(row.lowest.to_string()),
        Some(row.highest.to_string()),
    ]
}
