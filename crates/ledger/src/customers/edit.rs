//! Adds and changes customers.

use super::{person_data, view};
use crate::people::activity_log::{self, Activity};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{CustomersReason, Edited, Rejection, Thing};
use async_trait::async_trait;
use domain::customer::{self, Contact, Exemption, Terms};
use domain::ids::CustomerId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Adds a customer without special terms.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct AddCustomer {
    /// Only the name is required.
    pub contact: Contact,
    /// Who adds them.
    pub who: String,
}

#[async_trait]
impl Command for AddCustomer {
    type Answer = CustomerId;

    async fn run(&self, tx: &mut Tx) -> Result<CustomerId, CommandError> {
        let contact = checked(&self.contact)?;
        let who = text::short(&self.who).field("who")?;
        let id = CustomerId::from_raw(tx.next_id()?);
        refuse_taken_email(tx, id, &contact).await?;
        person_data::insert(tx, &[(id, contact)]).await?;
        sqlx::query(
            "INSERT INTO customer (id, wholesale, certificate, revision, made_by, changed_ms) \
             VALUES ($1, 0, '', 1, $2, $3)",
        )
        .bind(id.raw())
        .bind(who.clone())
        .bind(tx.now().millis())
        .execute(tx.db())
        .await?;
        activity_log::note_customer(tx, &who, Activity::CustomerAdded, id, "").await?;
        Ok(id)
    }
}

/// Changes how a customer can be reached.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EditCustomer {
    /// Which.
    pub customer: CustomerId,
    /// The revision on which the change is based.
    pub revision: i64,
    /// All of it.
    pub contact: Contact,
    /// Who changes it.
    pub who: String,
}

#[async_trait]
impl Command for EditCustomer {
    /// The revision now.
    type Answer = i64;

    async fn run(&self, tx: &mut Tx) -> Result<i64, CommandError> {
        let contact = checked(&self.contact)?;
        let who = text::short(&self.who).field("who")?;
        let revision = take(tx, self.customer, self.revision).await?;
        let before = view::read(tx.db(), self.customer).await?.contact;
        refuse_taken_email(tx, self.customer, &contact).await?;
        person_data::update(tx, self.customer, &contact).await?;
        // Which fields, never what stood in them: the log stays.
        let detail = changed_fields(&before, &contact).join(", ");
        activity_log::note_customer(tx, &who, Activity::CustomerChanged, self.customer, &detail).await?;
        Ok(revision)
    }
}

fn changed_fields(before: &Contact, after: &Contact) -> Vec<&'static str> {
    [
        ("name", before.name != after.name),
        ("email", before.email != after.email),
        ("phone", before.phone != after.phone),
        ("note", before.note != after.note),
    ]
    .into_iter()
    .filter_map(|(field, is_changed)| is_changed.then_some(field))
    .collect()
}

/// Sets the terms on which a customer buys.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetTerms {
    /// Which customer.
    pub customer: CustomerId,
    /// The revision on which the change is based.
    pub revision: i64,
    /// All of them.
    pub terms: Terms,
    /// Who sets them.
    pub who: String,
}

#[async_trait]
impl Command for SetTerms {
    /// The revision now.
    type Answer = i64;

    async fn run(&self, tx: &mut Tx) -> Result<i64, CommandError> {
        let exemption = self.terms.exemption.as_ref().map(checked_exemption).transpose()?;
        let terms = Terms { exemption, ..self.terms.clone() };
        let who = text::short(&self.who).field("who")?;
        let revision = take(tx, self.customer, self.revision).await?;
        let before = view::read(tx.db(), self.customer).await?.terms;
        let (certificate, keep_until) = match &terms.exemption {
            Some(exemption) => (exemption.certificate.clone(), Some(exemption.keep_until.number())),
            None => (String::new(), None),
        };
        sqlx::query(
            "UPDATE customer SET wholesale = $2, certificate = $3, keep_until = $4, discount = $5 WHERE id = $1",
        )
        .bind(self.customer.raw())
        .bind(i64::from(terms.wholesale))
        .bind(certificate)
        .bind(keep_until)
        .bind(terms.discount.map(i64::from))
        .execute(tx.db())
        .await?;
        let detail = format!("{} → {}", in_words(&before), in_words(&terms));
        activity_log::note_customer(tx, &who, Activity::CustomerTerms, self.customer, &detail).await?;
        Ok(revision)
    }
}

/// The terms for the log, without the certificate's number.
fn in_words(terms: &Terms) -> String {
    let exempt = terms.exemption.as_ref();
    let parts = [
        terms.wholesale.then(|| "wholesale".to_owned()),
        exempt.map(|exemption| format!("tax-exempt, kept until {}", exemption.keep_until)),
        terms.discount.map(|discount| format!("{} discount", discount.shown())),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    if parts.is_empty() { "no special terms".to_owned() } else { parts.join(", ") }
}

fn checked(contact: &Contact) -> Result<Contact, CommandError> {
    Ok(Contact {
        name: text::name(&contact.name).field("name")?,
        email: customer::email(&contact.email).field("email")?,
        phone: customer::phone(&contact.phone).field("telephone")?,
        note: text::note(&contact.note).field("note")?.trim().to_owned(),
    })
}

fn checked_exemption(exemption: &Exemption) -> Result<Exemption, CommandError> {
    let certificate = customer::certificate(&exemption.certificate).field("certificate")?;
    Ok(Exemption { certificate, ..exemption.clone() })
}

/// Locks a customer's rows for a change, and counts it.
async fn take(tx: &mut Tx, id: CustomerId, expected: i64) -> Result<i64, CommandError> {
    let is_there = person_data::lock(tx, id).await?;
    let row = sqlx::query(
        "UPDATE customer SET revision = revision + 1, changed_ms = $2 WHERE id = $1 RETURNING revision",
    )
    .bind(id.raw())
    .bind(tx.now().millis())
    .fetch_optional(tx.db())
    .await?
    .ok_or_else(|| Rejection::no_such(Thing::Customer, id))?;
    if !is_there {
        return Err(Rejection::invalid("customer", CustomersReason::NotThere).into());
    }
    let revision: i64 = row.try_get("revision")?;
    if revision - 1 == expected {
        return Ok(revision);
    }
    Err(Rejection::Stale { what: Edited::Customer, expected, current: revision - 1 }.into())
}

/// An e-mail address is one customer's: by it, orders find whose they are. One at a time, so that two devices
/// cannot both pass.
async fn refuse_taken_email(tx: &mut Tx, id: CustomerId, contact: &Contact) -> Result<(), CommandError> {
    if contact.email.is_empty() {
        return Ok(());
    }
    tx.wait_for_others().await?;
    let row = sqlx::query(
        "SELECT p.name FROM person_data p JOIN customer c ON c.id = p.id \
         WHERE p.email_key = $1 AND p.email_key <> '' AND p.id <> $2 LIMIT 1",
    )
    .bind(person_data::email_key(&contact.email))
    .bind(id.raw())
    .fetch_optional(tx.db())
    .await?;
    match row {
        Some(row) => {
            let name = row.try_get("name")?;
            Err(Rejection::invalid("email", CustomersReason::EmailTaken { name }).into())
        }
        None => Ok(()),
    }
}
