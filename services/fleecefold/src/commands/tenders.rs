//! `fleecefold tenders`

use crate::cli::TendersArgs;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use ledger::sales::{Takings, TakingsOf, money_in};
use ledger::{Access, Ledger};

pub(super) async fn run(place: &Place, args: TendersArgs) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Read).await?;
    let shown = show(&ledger, args.of, args.format).await;
    ledger.close().await;
    shown.map(|()| Ending::Done)
}

async fn show(ledger: &Ledger, of: TakingsOf, form: TableForm) -> Result<(), CliError> {
    let rows = ledger.takings(of).await?;
    if rows.is_empty() && form == TableForm::Table {
        eprintln!("no money was taken or given back");
        return Ok(());
    }
    let total = money_in(&rows, ledger.shop().currency)?;
    let numbers = ["taken", "balances", "given back", "voided", "net"];
    let names = ["taken", "balances", "given_back", "voided", "net"];
    let columns = names.into_iter().zip(numbers).map(|(name, heading)| Column::number(name).headed(heading));
    let mut last: Vec<Option<String>> = vec![Some("without on account".to_owned())];
    last.resize(names.len(), None);
    last.push(Some(total.to_string()));
    let table = Table {
        columns: std::iter::once(Column::words("tender")).chain(columns).collect(),
        rows: rows.iter().map(cells).collect(),
        total: Some(last),
    };
    table.print(form)
}

fn cells(row: &Takings) -> Vec<Option<String>> {
    let amounts = [row.taken, row.balances, row.given_back, row.voided, row.net];
    let amounts = amounts.into_iter().map(|amount| Some(amount.to_string()));
    std::iter::once(Some(row.kind.code().to_owned())).chain(amounts).collect()
}
