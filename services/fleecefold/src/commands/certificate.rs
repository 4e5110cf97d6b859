//! `fleecefold certificate list | history | bring-in | renumber | end`

use super::WHO;
use crate::cli::CertificateCommand;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::certificate::CertificateNumber;
use domain::ids::AccountId;
use domain::money::Money;
use ledger::sales::{
    BringInCertificate, CertificateEntry, CertificateView, EndCertificate, NewCertificate,
    RenumberCertificate,
};
use ledger::{Access, Ledger, Shop};
use std::io::{self, Write};

/// The most that are listed; the pages and the API have the rest.
const MOST: usize = 200;

pub(super) async fn run(place: &Place, command: CertificateCommand) -> Result<Ending, CliError> {
    let access = match command {
        CertificateCommand::List { .. } | CertificateCommand::History { .. } => Access::Read,
        CertificateCommand::BringIn { .. }
        | CertificateCommand::Renumber { .. }
        | CertificateCommand::End { .. } => Access::Write,
    };
    let ledger = place.open(access).await?;
    let done = match command {
        CertificateCommand::List { format } => list(&ledger, format).await,
        CertificateCommand::History { certificate, format } => history(&ledger, certificate.id, format).await,
        CertificateCommand::BringIn { amount, holder, note } => {
            bring_in(&ledger, &amount, holder, note).await
        }
        CertificateCommand::Renumber { certificate, reason } => {
            renumber(&ledger, certificate.id, reason).await
        }
        CertificateCommand::End { certificate, reason, .. } => end(&ledger, certificate.id, reason).await,
    };
    ledger.close().await;
    done.map(|()| Ending::Done)
}

async fn list(ledger: &Ledger, form: TableForm) -> Result<(), CliError> {
    let certificates = ledger.certificates(None, MOST).await?;
    if certificates.is_empty() && form == TableForm::Table {
        eprintln!("there is no gift certificate");
        return Ok(());
    }
    let shop = ledger.shop();
    let cells = |certificate: &CertificateView| {
        vec![
            Some(certificate.id.to_string()),
            Some(certificate.number.last_four()),
            Some(certificate.holder.clone()),
            Some(shop.zone.day_of(certificate.issued).to_string()),
            Some(certificate.balance.to_string()),
        ]
    };
    let columns = vec![
        Column::words("id").headed("ID"),
        Column::words("endsIn").headed("ends in"),
        Column::words("holder").headed("for"),
        Column::words("issued"),
        Column::number("balance"),
    ];
    Table { columns, rows: certificates.iter().map(cells).collect(), total: None }.print(form)?;
    if certificates.len() == MOST {
        eprintln!("only the latest {MOST} are shown");
    }
    Ok(())
}

async fn history(ledger: &Ledger, id: AccountId, form: TableForm) -> Result<(), CliError> {
    // One that does not exist is told, and is no empty table.
    ledger.certificate(id).await?;
    let changes = ledger.certificate_history(id, MOST).await?;
    let shop = ledger.shop();
    let columns = vec![
        Column::words("day"),
        Column::words("why"),
        Column::words("receipt"),
        Column::number("amount"),
        Column::words("note"),
    ];
    let rows = changes.iter().map(|change| change_cells(&shop, change)).collect();
    Table { columns, rows, total: None }.print(form)
}

fn change_cells(shop: &Shop, change: &CertificateEntry) -> Vec<Option<String>> {
    vec![
        Some(shop.zone.day_of(change.at).to_string()),
        Some(change.reason.code().to_owned()),
        change.receipt.map(|receipt| receipt.to_string()),
        Some(change.amount.to_string()),
        Some(change.note.clone()),
    ]
}

async fn bring_in(ledger: &Ledger, amount: &str, holder: String, note: String) -> Result<(), CliError> {
    let amount = Money::parse(amount, ledger.shop().currency)
        .map_err(|error| CliError::Amount { text: amount.to_owned(), source: error })?;
    let number = till::random_certificate_number();
    let certificate = NewCertificate { number, holder, on_file: None };
    let done =
        ledger.execute(None, &BringInCertificate { certificate, amount, note, who: WHO.to_owned() }).await?;
    print_number(&ledger.certificate(done.answer).await?.number)
}

async fn renumber(ledger: &Ledger, account: AccountId, reason: String) -> Result<(), CliError> {
    let number = till::random_certificate_number();
    ledger.execute(None, &RenumberCertificate { account, number, reason, who: WHO.to_owned() }).await?;
    print_number(&number)
}

fn print_number(number: &CertificateNumber) -> Result<(), CliError> {
    writeln!(io::stdout().lock(), "{number}").map_err(CliError::Stdout)
}

async fn end(ledger: &Ledger, account: AccountId, reason: String) -> Result<(), CliError> {
    let left = ledger.certificate(account).await?.balance;
    ledger.execute(None, &EndCertificate { account, left, reason, who: WHO.to_owned() }).await?;
    eprintln!("ended; {} can no longer be spent", left.shown());
    Ok(())
}
