//! Empties the rows of a customer. Whether that may be is decided above: who owes and who has holds stands there.

use super::{person_data, view};
use crate::store::Ledger;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::day::Day;
use domain::ids::CustomerId;
use sqlx::Row;

/// Empties a customer's row and ends their terms. A name that has to be kept with a tax exemption's certificate goes
/// to a row of its own, which nothing else refers to.
pub(crate) async fn empty(tx: &mut Tx, id: CustomerId) -> Result<(), CommandError> {
    let customer = view::read(tx.db(), id).await?;
    let today = tx.shop().zone.day_of(tx.now());
    let kept = match &customer.terms.exemption {
        Some(exemption) if exemption.keep_until >= today => {
            Some(person_data::keep_name(tx, &customer.contact.name).await?)
        }
        _ => None,
    };
    person_data::blank(tx, &[id.raw()]).await?;
    let text = if kept.is_some() {
        "UPDATE customer SET wholesale = 0, discount = NULL, revision = revision + 1, changed_ms = $2, kept_id = $3 \
         WHERE id = $1"
    } else {
        "UPDATE customer SET wholesale = 0, discount = NULL, revision = revision + 1, changed_ms = $2, kept_id = $3, \
         certificate = '', keep_until = NULL WHERE id = $1"
    };
    sqlx::query(text)
        .bind(id.raw())
        .bind(tx.now().millis())
        .bind(kept.map(CustomerId::raw))
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Erases rows again whose erasure is newer than the backup that a shop was restored from.
pub(crate) async fn replay(tx: &mut Tx, erased: &[CustomerId]) -> Result<(), CommandError> {
    for id in erased {
        let row = sqlx::query(
            "SELECT p.id, c.id AS on_file FROM person_data p LEFT JOIN customer c ON c.id = p.id \
             WHERE p.id = $1 AND p.erased_ms IS NULL",
        )
        .bind(id.raw())
        .fetch_optional(tx.db())
        .await?;
        match row {
            Some(row) if row.try_get::<Option<i64>, _>("on_file")?.is_some() => empty(tx, *id).await?,
            Some(_) => {
                person_data::blank(tx, &[id.raw()]).await?;
            }
            None => {}
        }
    }
    Ok(())
}

/// Ends exemption records that need not be kept any longer, at most `limit`. Returns how many.
pub(crate) async fn end_kept(tx: &mut Tx, today: Day, limit: i64) -> Result<u64, CommandError> {
    let rows = sqlx::query(
        "SELECT id, kept_id FROM customer WHERE kept_id IS NOT NULL AND keep_until < $1 ORDER BY keep_until LIMIT $2",
    )
    .bind(today.number())
    .bind(limit)
    .fetch_all(tx.db())
    .await?;
    let mut ended = 0;
    for row in &rows {
        let (id, kept): (i64, i64) = (row.try_get("id")?, row.try_get("kept_id")?);
        sqlx::query("UPDATE customer SET kept_id = NULL, certificate = '', keep_until = NULL WHERE id = $1")
            .bind(id)
            .execute(tx.db())
            .await?;
        ended += person_data::blank(tx, &[kept]).await?;
    }
    Ok(ended)
}

impl Ledger {
    /// The identifiers of everybody who was erased, oldest first: what `restore` takes, so that an older backup
    /// brings nobody back.
    pub async fn erased_ids(&self) -> Result<Vec<CustomerId>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query("SELECT id FROM person_data WHERE erased_ms IS NOT NULL ORDER BY id")
            .fetch_all(&mut *connection)
            .await?;
        rows.iter().map(|row| Ok(CustomerId::from_raw(row.try_get("id")?))).collect()
    }
}
