//! `fleecefold books`

use crate::cli::BooksArgs;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::money::MoneyError;
use domain::revenue::{COLUMNS, Figures};
use ledger::books::{BooksBy, BooksQuery, BooksRow};
use ledger::{Access, Ledger};

pub(super) async fn run(place: &Place, args: BooksArgs) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Read).await?;
    let query = BooksQuery { from: args.from, to: args.to, by: args.by };
    let shown = show(&ledger, &query, args.format).await;
    ledger.close().await;
    shown.map(|()| Ending::Done)
}

pub(super) async fn show(ledger: &Ledger, query: &BooksQuery, form: TableForm) -> Result<(), CliError> {
    let rows = ledger.books(query).await?;
    if rows.is_empty() && form == TableForm::Table {
        eprintln!("nothing was sold in this period");
        return Ok(());
    }
    table(query.by, &rows)?.print(form)
}

fn table(by: BooksBy, rows: &[BooksRow]) -> Result<Table, MoneyError> {
    let groups = [(by.day, "day"), (by.month, "month"), (by.channel, "channel")];
    let groups: Vec<Column> = groups
        .into_iter()
        .filter(|(is_grouped, _)| *is_grouped)
        .map(|(_, name)| Column::words(name))
        .collect();
    let mut total = Figures::none(ledger_currency(rows));
    let mut cells = Vec::with_capacity(rows.len());
    for row in rows {
        total = total.plus(&row.figures)?;
        let mut line = Vec::with_capacity(groups.len() + COLUMNS.len());
        line.extend(row.day.map(|d| Some(d.to_string())));
        line.extend(row.month.map(|m| Some(m.to_string())));
        line.extend(row.channel.as_ref().map(|c| Some(c.to_string())));
        line.extend(figures(&row.figures)?);
        cells.push(line);
    }
    let mut last: Vec<Option<String>> = vec![None; groups.len()];
    last.extend(figures(&total)?);
    let columns = groups.into_iter().chain(COLUMNS.map(Column::number)).collect();
    Ok(Table { columns, rows: cells, total: (rows.len() > 1).then_some(last) })
}

/// A shop has one currency; without rows it is shown nowhere.
fn ledger_currency(rows: &[BooksRow]) -> domain::money::Currency {
    rows.first().map_or(domain::money::Currency::USD, |row| row.figures.gross.currency())
}

fn figures(sum: &Figures) -> Result<[Option<String>; 15], MoneyError> {
    Ok(sum.cells()?.map(Some))
}
