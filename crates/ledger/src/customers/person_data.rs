//! The rows that say who somebody is. Everything else refers to them.

use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{CustomersReason, Rejection};
use crate::store::sql::{in_text, insert_rows, padded};
use crate::store::tables;
use domain::customer::Contact;
use domain::day::Moment;
use domain::ids::CustomerId;
use domain::text;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::BTreeSet;

/// Rows that are blanked by one statement.
const AT_ONCE: usize = 128;

/// What stands in `email_key`.
pub(crate) fn email_key(email: &str) -> String {
    text::fold(email)
}

/// A name that was typed for somebody who is not on file.
pub(crate) async fn insert_name(tx: &mut Tx, name: &str) -> Result<CustomerId, CommandError> {
    let id = CustomerId::from_raw(tx.next_id()?);
    insert(tx, &[(id, Contact { name: name.to_owned(), ..Contact::default() })]).await?;
    Ok(id)
}

/// The name that has to be kept with a certificate. No search finds it, and nobody of the same name is taken for it.
pub(super) async fn keep_name(tx: &mut Tx, name: &str) -> Result<CustomerId, CommandError> {
    let id = insert_name(tx, name).await?;
    sqlx::query("UPDATE person_data SET folded = '' WHERE id = $1").bind(id.raw()).execute(tx.db()).await?;
    Ok(id)
}

/// Writes rows. The caller has checked the texts.
pub(crate) async fn insert(tx: &mut Tx, rows: &[(CustomerId, Contact)]) -> Result<(), CommandError> {
    let now = tx.now().millis();
    insert_rows(tx.db(), &tables::PERSON_DATA, rows, |statement, (id, contact)| {
        statement
            .bind(id.raw())
            .bind(contact.name.clone())
            .bind(contact.email.clone())
            .bind(contact.phone.clone())
            .bind(contact.note.clone())
            .bind(contact.folded())
            .bind(email_key(&contact.email))
            .bind(now)
            .bind(None::<i64>)
    })
    .await?;
    Ok(())
}

/// Changes a row. An erased one stays empty.
pub(super) async fn update(tx: &mut Tx, id: CustomerId, contact: &Contact) -> Result<(), CommandError> {
    sqlx::query(
        "UPDATE person_data SET name = $2, email = $3, phone = $4, note = $5, folded = $6, email_key = $7 \
         WHERE id = $1 AND erased_ms IS NULL",
    )
    .bind(id.raw())
    .bind(contact.name.clone())
    .bind(contact.email.clone())
    .bind(contact.phone.clone())
    .bind(contact.note.clone())
    .bind(contact.folded())
    .bind(email_key(&contact.email))
    .execute(tx.db())
    .await?;
    Ok(())
}

/// Locks a row until the transaction ends, so that nobody erases the person meanwhile. Whether they are there
/// still.
pub(crate) async fn lock(tx: &mut Tx, id: CustomerId) -> Result<bool, CommandError> {
    let locked = sqlx::query("UPDATE person_data SET made_ms = made_ms WHERE id = $1 AND erased_ms IS NULL")
        .bind(id.raw())
        .execute(tx.db())
        .await?;
    Ok(locked.rows_affected() == 1)
}

/// Whether somebody was not erased, for whoever shows them and decides nothing by it.
pub(crate) async fn is_there(connection: &mut AnyConnection, id: CustomerId) -> Result<bool, CommandError> {
    let row = sqlx::query("SELECT id FROM person_data WHERE id = $1 AND erased_ms IS NULL")
        .bind(id.raw())
        .fetch_optional(connection)
        .await?;
    Ok(row.is_some())
}

/// [`lock`] for several, in one order for all transactions. Rejects somebody who was erased.
pub(crate) async fn lock_all(tx: &mut Tx, ids: &BTreeSet<CustomerId>) -> Result<(), CommandError> {
    for id in ids {
        if !lock(tx, *id).await? {
            return Err(Rejection::invalid("customer", CustomersReason::NotThere).into());
        }
    }
    Ok(())
}

/// [`lock`] for rows that may be erased already.
pub(crate) async fn lock_rows(tx: &mut Tx, ids: &[i64]) -> Result<(), CommandError> {
    for chunk in ids.chunks(AT_ONCE) {
        let text = in_text("UPDATE person_data SET made_ms = made_ms WHERE id", 1, chunk.len(), "");
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for id in padded(chunk) {
            statement = statement.bind(id);
        }
        statement.execute(tx.db()).await?;
    }
    Ok(())
}

/// [`lock`], and whose row it is.
pub(crate) async fn lock_named(tx: &mut Tx, id: CustomerId) -> Result<String, CommandError> {
    let row = sqlx::query(
        "UPDATE person_data SET made_ms = made_ms WHERE id = $1 AND erased_ms IS NULL RETURNING name",
    )
    .bind(id.raw())
    .fetch_optional(tx.db())
    .await?;
    let gone = || Rejection::invalid("customer", CustomersReason::NotThere);
    Ok(row.ok_or_else(gone)?.try_get("name")?)
}

/// Empties the row of somebody who is not on file: a name that was typed, and is not needed.
pub(crate) async fn forget_name(tx: &mut Tx, id: CustomerId) -> Result<(), CommandError> {
    let on_file = sqlx::query("SELECT id FROM customer WHERE id = $1").bind(id.raw());
    if on_file.fetch_optional(tx.db()).await?.is_none() {
        blank(tx, &[id.raw()]).await?;
    }
    Ok(())
}

/// Empties rows for good. Returns how many were not empty yet.
pub(crate) async fn blank(tx: &mut Tx, ids: &[i64]) -> Result<u64, CommandError> {
    const BLANK: &str = "UPDATE person_data SET name = '', email = '', phone = '', note = '', folded = '', \
        email_key = '', erased_ms = $1 WHERE erased_ms IS NULL AND id";
    let (now, mut blanked) = (tx.now().millis(), 0);
    for chunk in ids.chunks(AT_ONCE) {
        let mut statement = sqlx::query(AssertSqlSafe(in_text(BLANK, 2, chunk.len(), ""))).bind(now);
        for id in padded(chunk) {
            statement = statement.bind(id);
        }
        blanked += statement.execute(tx.db()).await?.rows_affected();
    }
    Ok(blanked)
}

/// What else names a customer: buyers of orders with their e-mail address, and what was typed under exactly their
/// name without choosing a customer. Other customers on file are other people.
pub(crate) async fn same_person(
    connection: &mut AnyConnection,
    id: CustomerId,
) -> Result<Vec<i64>, CommandError> {
    let row = sqlx::query("SELECT name, email_key FROM person_data WHERE id = $1")
        .bind(id.raw())
        .fetch_one(&mut *connection)
        .await?;
    let (name, email_key): (String, String) = (row.try_get("name")?, row.try_get("email_key")?);
    let rows = sqlx::query(
        "SELECT p.id FROM person_data p LEFT JOIN customer c ON c.id = p.id \
         WHERE c.id IS NULL AND p.email_key = $1 AND p.email_key <> '' \
         UNION SELECT p.id FROM person_data p LEFT JOIN customer c ON c.id = p.id \
         WHERE c.id IS NULL AND p.folded = $2 AND p.folded <> '' ORDER BY 1",
    )
    .bind(email_key)
    .bind(Contact { name, ..Contact::default() }.folded())
    .fetch_all(connection)
    .await?;
    rows.iter().map(|row| Ok(row.try_get("id")?)).collect()
}

/// When a row was erased; none if it was not.
pub(super) fn erased(row: &sqlx::any::AnyRow) -> Result<Option<Moment>, CommandError> {
    Ok(row.try_get::<Option<i64>, _>("erased_ms")?.map(Moment::from_millis))
}
