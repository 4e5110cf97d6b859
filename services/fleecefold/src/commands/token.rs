//! `fleecefold token add | list | end | rotate`

use super::{WHO, keys};
use crate::cli::{KeysArgs, TokenArgs, TokenCommand};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::people::Role;
use ledger::people::{AddToken, EndToken};
use ledger::{Access, Ledger};
use std::io::{self, Write};

const DAY_MS: i64 = 24 * 60 * 60 * 1000;
const COLUMNS: [Column; 4] = [
    Column::words("name"),
    Column::words("role"),
    Column::words("madeBy").headed("made by"),
    Column::words("until"),
];

pub(super) async fn run(place: &Place, args: TokenArgs) -> Result<Ending, CliError> {
    let access = match args.command {
        TokenCommand::Add { .. } | TokenCommand::Rotate => Access::Create,
        TokenCommand::End { .. } => Access::Write,
        TokenCommand::List => Access::Read,
    };
    let ledger = place.open(access).await?;
    let done = match args.command {
        TokenCommand::Add { name, role, days } => add(&ledger, &args.keys, name, role, days).await,
        TokenCommand::End { name } => end(&ledger, name).await,
        TokenCommand::List => list(&ledger).await,
        TokenCommand::Rotate => keys::must_open(&ledger, &args.keys).and_then(|keys| Ok(keys.rotate()?)),
    };
    ledger.close().await;
    done.map(|()| Ending::Done)
}

/// Prints nothing but the token on standard output, so that a script can keep it.
async fn add(ledger: &Ledger, args: &KeysArgs, name: String, role: Role, days: i64) -> Result<(), CliError> {
    let keys = keys::must_open(ledger, args)?;
    let now = ledger.now();
    let until = now.plus_millis(days * DAY_MS);
    let add = AddToken { jti: till::random_text(), name, role, until, who: WHO.to_owned() };
    let token = keys.sign(&add.jti, &add.name, now, until)?;
    ledger.execute(None, &add).await?;
    eprintln!(
        "{} may do what a {} may, until {}",
        add.name.trim(),
        role.words(),
        ledger.shop().zone.shown(until)
    );
    writeln!(io::stdout().lock(), "{token}").map_err(CliError::Stdout)
}

async fn end(ledger: &Ledger, name: String) -> Result<(), CliError> {
    ledger.execute(None, &EndToken { name, who: WHO.to_owned() }).await?;
    Ok(())
}

async fn list(ledger: &Ledger) -> Result<(), CliError> {
    let tokens = ledger.tokens().await?;
    if tokens.is_empty() {
        eprintln!("there are no tokens; make one with `fleecefold token add NAME --role ROLE`");
        return Ok(());
    }
    let (zone, now) = (&ledger.shop().zone, ledger.now());
    let row = |token: &ledger::people::TokenView| {
        let over = if token.until <= now { " (over)" } else { "" };
        let until = format!("{}{over}", zone.shown(token.until));
        [token.name.as_str(), token.role.code(), &token.made_by, &until]
            .map(|cell| Some(cell.to_owned()))
            .to_vec()
    };
    let rows = tokens.iter().map(row).collect();
    Table { columns: COLUMNS.to_vec(), rows, total: None }.print(TableForm::Table)
}
