//! `fleecefold user add | password | list | end | reset-second-factor`

use super::WHO;
use crate::cli::UserCommand;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::people::Role;
use domain::text;
use ledger::people::{AddPerson, EditPerson, EndPerson, PersonView, Phc, TurnOffSecondFactor};
use ledger::rejection::Thing;
use ledger::{Access, Ledger, Rejection};
use std::io::{self, BufRead, IsTerminal};

const COLUMNS: [Column; 4] = [
    Column::words("name"),
    Column::words("role"),
    Column::words("pin").headed("PIN"),
    Column::words("since"),
];

pub(super) async fn run(place: &Place, command: UserCommand) -> Result<Ending, CliError> {
    let access = match command {
        UserCommand::Add { .. } => Access::Create,
        UserCommand::Password { .. } | UserCommand::End { .. } | UserCommand::ResetSecondFactor { .. } => {
            Access::Write
        }
        UserCommand::List => Access::Read,
    };
    let ledger = place.open(access).await?;
    let done = match command {
        UserCommand::Add { name, role } => add(&ledger, name, role).await,
        UserCommand::Password { name } => set_password(&ledger, &name).await,
        UserCommand::End { name } => end(&ledger, &name).await,
        UserCommand::ResetSecondFactor { name } => reset_second_factor(&ledger, &name).await,
        UserCommand::List => list(&ledger).await,
    };
    ledger.close().await;
    done.map(|()| Ending::Done)
}

async fn add(ledger: &Ledger, name: String, role: Role) -> Result<(), CliError> {
    let password = new_password(&name)?;
    let add = AddPerson { name: name.clone(), role, password, pin: None, who: WHO.to_owned() };
    ledger.execute(None, &add).await?;
    eprintln!("{} can sign in as {}", name.trim(), role.words());
    Ok(())
}

/// Whoever can run this on the shop's machine can let its owner back in: backups contain no passwords.
async fn set_password(ledger: &Ledger, name: &str) -> Result<(), CliError> {
    let person = find(ledger, name).await?;
    let password = Some(new_password(&person.name)?);
    let (role, pin, keep, who) = (None, None, None, WHO.to_owned());
    ledger.execute(None, &EditPerson { person: person.id, role, password, pin, keep, who }).await?;
    eprintln!("{} has a new password and is signed out everywhere", person.name);
    Ok(())
}

fn new_password(name: &str) -> Result<Phc, CliError> {
    let password = password()?;
    till::check_password(&password, name).map_err(|weak| CliError::WeakPassword(weak.to_string()))?;
    till::hash_secret(&password).ok_or(CliError::Hash)
}

async fn find(ledger: &Ledger, name: &str) -> Result<PersonView, CliError> {
    let folded = text::fold(name.trim());
    let found = ledger.people().await?.into_iter().find(|person| text::fold(&person.name) == folded);
    found.ok_or_else(|| CliError::Shop(Rejection::no_such(Thing::Person, name).into()))
}

/// Asks twice at a terminal without showing it; otherwise reads one line of standard input.
fn password() -> Result<String, CliError> {
    if io::stdin().is_terminal() {
        let ask = |words: &str| rpassword::prompt_password(words).map_err(CliError::Password);
        let password = ask("password (8 characters or more, a few words are best): ")?;
        if password == ask("repeat the password: ")? {
            return Ok(password);
        }
        return Err(CliError::PasswordsDiffer);
    }
    let mut line = String::new();
    io::stdin().lock().read_line(&mut line).map_err(CliError::Password)?;
    let end = line.trim_end_matches(['\r', '\n']).len();
    line.truncate(end);
    Ok(line)
}

async fn reset_second_factor(ledger: &Ledger, name: &str) -> Result<(), CliError> {
    let person = find(ledger, name).await?;
    ledger.execute(None, &TurnOffSecondFactor { person: person.id, who: WHO.to_owned() }).await?;
    eprintln!("{} now signs in with the password only; they can turn two-step sign-in on again", person.name);
    Ok(())
}

async fn end(ledger: &Ledger, name: &str) -> Result<(), CliError> {
    let person = find(ledger, name).await?;
    ledger.execute(None, &EndPerson { person: person.id, who: WHO.to_owned() }).await?;
    eprintln!("{} can no longer sign in", person.name);
    Ok(())
}

async fn list(ledger: &Ledger) -> Result<(), CliError> {
    let people = ledger.people().await?;
    if people.is_empty() {
        eprintln!(
            "nobody can sign in yet; set up the shop in a browser, or add an owner with `fleecefold user add NAME --role owner`"
        );
        return Ok(());
    }
    let zone = &ledger.shop().zone;
    let row = |person: &ledger::people::PersonView| {
        let pin = if person.has_pin { "yes" } else { "no" };
        [person.name.as_str(), person.role.code(), pin, &zone.shown(person.made)]
            .map(|cell| Some(cell.to_owned()))
            .to_vec()
    };
    let rows = people.iter().map(row).collect();
    Table { columns: COLUMNS.to_vec(), rows, total: None }.print(TableForm::Table)
}
