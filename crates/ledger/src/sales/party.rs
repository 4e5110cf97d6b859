//! Whom a sale is rung up for, and who will pay what is on account.

use crate::customers::{person_data, terms_of};
use crate::sales::accounts;
use crate::sales::ring_up::TenderIn;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use domain::basket::TenderKind;
use domain::customer::Terms;
use domain::ids::CustomerId;
use domain::text;
use sqlx::{AnyConnection, Row};
use std::collections::BTreeSet;

/// Whom a sale is for, with the terms at that time; nobody in particular by default.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Party {
    pub(crate) customer: Option<CustomerId>,
    pub(crate) is_wholesale: bool,
    pub(crate) is_tax_exempt: bool,
}

impl Party {
    /// Locks the customer's row and those of whoever pays on account, and reads the terms.
    pub(crate) async fn lock(
        tx: &mut Tx,
        customer: Option<CustomerId>,
        tenders: &[TenderIn],
    ) -> Result<Self, CommandError> {
        let payers = tenders.iter().filter_map(|tender| tender.on_file);
        let ids: BTreeSet<CustomerId> = customer.into_iter().chain(payers).collect();
        person_data::lock_all(tx, &ids).await?;
        let Some(id) = customer else { return Ok(Self::default()) };
        let terms = terms(tx.db(), id).await?.unwrap_or_default();
        Ok(Self { customer, is_wholesale: terms.wholesale, is_tax_exempt: terms.exemption.is_some() })
    }
}

/// The terms of a customer on file; none for a name that was typed.
pub(crate) async fn terms(
    connection: &mut AnyConnection,
    id: CustomerId,
) -> Result<Option<Terms>, CommandError> {
    let row = sqlx::query("SELECT wholesale, certificate, keep_until, discount FROM customer WHERE id = $1")
        .bind(id.raw())
        .fetch_optional(connection)
        .await?;
    row.as_ref().map(terms_of).transpose()
}

/// Each on-account payment with its payer: the sale's own customer unless another name was typed, for which a row
/// of personal data is made. Nothing else has a payer.
pub(crate) async fn with_payers(
    tx: &mut Tx,
    tenders: &[TenderIn],
    customer: Option<CustomerId>,
) -> Result<Vec<TenderIn>, CommandError> {
    let mut checked = Vec::with_capacity(tenders.len());
    for tender in tenders {
        checked.push(with_payer(tx, tender, customer).await?);
    }
    Ok(checked)
}

/// On account needs a customer and a due date; nothing else has them.
pub(crate) async fn with_payer(
    tx: &mut Tx,
    tender: &TenderIn,
    customer: Option<CustomerId>,
) -> Result<TenderIn, CommandError> {
    let typed = text::short(&tender.customer).field("tenders.customer")?;
    accounts::refuse_without_number(accounts::AT_TENDER, tender.kind, tender.certificate)?;
    accounts::refuse_without_deposit(tender.kind, tender.deposit)?;
    let plain = TenderIn { customer: String::new(), on_file: None, ..tender.clone() };
    if tender.kind != TenderKind::OnAccount {
        return match tender.due {
            Some(_) => Err(Rejection::invalid("tenders.due", SalesReason::DueWithoutAccount).into()),
            None => Ok(plain),
        };
    }
    let payer = match (tender.on_file, customer) {
        (Some(payer), _) => Some(payer),
        (None, Some(own)) if typed.is_empty() || is_named(tx.db(), own, &typed).await? => Some(own),
        (None, _) if typed.is_empty() => None,
        (None, _) => Some(person_data::insert_name(tx, &typed).await?),
    };
    if payer.is_none() || tender.due.is_none() {
        return Err(Rejection::invalid("tenders", SalesReason::AccountIncomplete).into());
    }
    Ok(TenderIn { on_file: payer, ..plain })
}

/// Whether this is what a customer is called, so that a page may fill the name in.
pub(crate) async fn is_named(
    connection: &mut AnyConnection,
    id: CustomerId,
    name: &str,
) -> Result<bool, CommandError> {
    let row = sqlx::query("SELECT name FROM person_data WHERE id = $1")
        .bind(id.raw())
        .fetch_optional(connection)
        .await?;
    let known: Option<String> = row.map(|row| row.try_get("name")).transpose()?;
    Ok(known.is_some_and(|known| text::fold(&known) == text::fold(name)))
}
