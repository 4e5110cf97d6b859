//! `fleecefold limits show | set`

use super::WHO;
use crate::cli::{LimitsCommand, LimitsSet};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::limits::{LimitName, Limits};
use domain::people::Role;
use ledger::people::{LimitsOf, SetLimits};
use ledger::{Access, Ledger};

pub(super) async fn run(place: &Place, command: LimitsCommand) -> Result<Ending, CliError> {
    match command {
        LimitsCommand::Show { format } => {
            let ledger = place.open(Access::Read).await?;
            let shown = show(&ledger, format).await;
            ledger.close().await;
            shown?;
        }
        LimitsCommand::Set(args) => {
            let ledger = place.open(Access::Write).await?;
            let set = ledger.execute(None, &command_of(args)).await;
            ledger.close().await;
            set?;
        }
    }
    Ok(Ending::Done)
}

fn command_of(args: LimitsSet) -> SetLimits {
    let LimitsSet { role, token, values } = args;
    // Clap requires one of the two.
    let of = token.map_or(LimitsOf::Role(role.unwrap_or(Role::Counter)), LimitsOf::Token);
    SetLimits { of, values, who: WHO.to_owned() }
}

async fn show(ledger: &Ledger, format: TableForm) -> Result<(), CliError> {
    let mut columns = vec![Column::words("whose")];
    columns.extend(LimitName::ALL.map(|name| Column::words(name.code())));
    let row = |whose: String, limits: &Limits| {
        let values = LimitName::ALL.map(|name| limits.written(name));
        [whose].into_iter().chain(values).map(Some).collect::<Vec<_>>()
    };
    let mut rows = Vec::new();
    for role in [Role::Counter, Role::Maker] {
        rows.push(row(role.code().to_owned(), &ledger.limits(role, None).await?));
    }
    for token in ledger.tokens().await? {
        rows.push(row(format!("token {}", token.name), &ledger.limits(token.role, Some(&token.jti)).await?));
    }
    Table { columns, rows, total: None }.print(format)
}
