//! `fleecefold customer list | add | change | terms | export | erase | erased | blank`

use super::WHO;
use crate::cli::{CustomerCommand, ReachArgs, TermsArgs};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::table::{Column, Table, TableForm};
use domain::customer::{Contact, Exemption, Terms};
use domain::ids::CustomerId;
use ledger::customers::{AddCustomer, CustomerSummary, EditCustomer, FindCustomers, SetTerms};
use ledger::keeping::{EraseCustomer, SweepPersonalData};
use ledger::{Access, Ledger};
use std::io::{self, Write};

/// The most customers that are listed; the pages and the API have the rest.
const MOST: usize = 200;

const COLUMNS: [Column; 7] = [
    Column::words("id").headed("ID"),
    Column::words("name"),
    Column::words("email"),
    Column::words("telephone").headed("phone"),
    Column::words("wholesale"),
    Column::words("certificate"),
    Column::words("defaultDiscount").headed("discount"),
];

pub(super) async fn run(place: &Place, command: CustomerCommand) -> Result<Ending, CliError> {
    let access = match command {
        CustomerCommand::List { .. } | CustomerCommand::Erased => Access::Read,
        CustomerCommand::Add { .. } => Access::Create,
        _ => Access::Write,
    };
    let ledger = place.open(access).await?;
    let done = match command {
        CustomerCommand::List { words, format } => list(&ledger, words.join(" "), format).await,
        CustomerCommand::Add { name, reach } => add(&ledger, name, reach).await,
        CustomerCommand::Change { customer, name, reach } => change(&ledger, customer.id, name, reach).await,
        CustomerCommand::Terms { customer, terms } => set_terms(&ledger, customer.id, terms).await,
        CustomerCommand::Export { customer } => export(&ledger, customer.id).await,
        CustomerCommand::Erase { customer, .. } => erase(&ledger, customer.id).await,
        CustomerCommand::Erased => erased(&ledger).await,
        CustomerCommand::Blank => blank(&ledger).await,
    };
    ledger.close().await;
    done.map(|()| Ending::Done)
}

async fn list(ledger: &Ledger, words: String, form: TableForm) -> Result<(), CliError> {
    let customers = ledger.find_customers(&FindCustomers { words, before: None }, MOST).await?;
    if customers.is_empty() && form == TableForm::Table {
        eprintln!("no customer was found");
        return Ok(());
    }
    let rows = customers.iter().map(cells).collect();
    Table { columns: COLUMNS.to_vec(), rows, total: None }.print(form)?;
    if customers.len() == MOST {
        eprintln!("only the latest {MOST} are shown");
    }
    Ok(())
}

fn cells(customer: &CustomerSummary) -> Vec<Option<String>> {
    let terms = &customer.terms;
    vec![
        Some(customer.id.to_string()),
        Some(customer.name.clone()),
        Some(customer.email.clone()),
        Some(customer.phone.clone()),
        Some(if terms.wholesale { "yes" } else { "no" }.to_owned()),
        terms.exemption.as_ref().map(|exemption| exemption.certificate.clone()),
        terms.discount.map(|discount| discount.to_string()),
    ]
}

async fn add(ledger: &Ledger, name: String, reach: ReachArgs) -> Result<(), CliError> {
    let contact = reached(Contact { name, ..Contact::default() }, reach);
    let done = ledger.execute(None, &AddCustomer { contact, who: WHO.to_owned() }).await?;
    writeln!(io::stdout().lock(), "{}", done.answer).map_err(CliError::Stdout)
}

/// With what was given; what was left out stays as it is.
fn reached(is: Contact, reach: ReachArgs) -> Contact {
    Contact {
        name: is.name,
        email: reach.email.unwrap_or(is.email),
        phone: reach.phone.unwrap_or(is.phone),
        note: reach.note.unwrap_or(is.note),
    }
}

async fn change(
    ledger: &Ledger,
    customer: CustomerId,
    name: Option<String>,
    reach: ReachArgs,
) -> Result<(), CliError> {
    let is = ledger.customer(customer).await?;
    let named = Contact { name: name.unwrap_or_else(|| is.contact.name.clone()), ..is.contact };
    let edit =
        EditCustomer { customer, revision: is.revision, contact: reached(named, reach), who: WHO.to_owned() };
    ledger.execute(None, &edit).await?;
    Ok(())
}

async fn set_terms(ledger: &Ledger, customer: CustomerId, given: TermsArgs) -> Result<(), CliError> {
    let is = ledger.customer(customer).await?;
    let (was, until) = is.terms.exemption.map(|e| (e.certificate, e.keep_until)).unzip();
    let certificate = given.certificate.or(was).filter(|number| !number.trim().is_empty());
    let exemption = match (certificate, given.keep_until.or(until)) {
        (Some(certificate), Some(keep_until)) => Some(Exemption { certificate, keep_until }),
        (None, _) => None,
        (Some(_), None) => return Err(CliError::KeepUntil),
    };
    let terms = Terms {
        wholesale: given.wholesale.unwrap_or(is.terms.wholesale),
        exemption,
        discount: given.discount.map_or(is.terms.discount, |new| new.0),
    };
    ledger.execute(None, &SetTerms { customer, revision: is.revision, terms, who: WHO.to_owned() }).await?;
    Ok(())
}

async fn export(ledger: &Ledger, customer: CustomerId) -> Result<(), CliError> {
    let export = ledger.export_customer(customer, WHO).await?;
    let mut out = io::stdout().lock();
    serde_json::to_writer_pretty(&mut out, &export).map_err(|error| CliError::Stdout(error.into()))?;
    writeln!(out).map_err(CliError::Stdout)
}

async fn erase(ledger: &Ledger, customer: CustomerId) -> Result<(), CliError> {
    ledger.execute(None, &EraseCustomer { customer, who: WHO.to_owned() }).await?;
    eprintln!(
        "erased; backups made before now still have the data: restore them with the list that \
         `fleecefold customer erased` prints"
    );
    Ok(())
}

async fn erased(ledger: &Ledger) -> Result<(), CliError> {
    let mut out = io::stdout().lock();
    for id in ledger.erased_ids().await? {
        writeln!(out, "{id}").map_err(CliError::Stdout)?;
    }
    out.flush().map_err(CliError::Stdout)
}

/// Some at a time, so that a counter never waits for long.
async fn blank(ledger: &Ledger) -> Result<(), CliError> {
    let mut blanked = 0;
    while ledger.has_personal_data_to_blank().await? {
        blanked += ledger.execute(None, &SweepPersonalData).await?.answer;
    }
    eprintln!("blanked {blanked} {}", if blanked == 1 { "entry" } else { "entries" });
    Ok(())
}
