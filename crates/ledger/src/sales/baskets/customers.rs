//! Reads whom the current sales are for.

use super::content::Content;
use super::view::BasketCustomer;
use crate::customers::terms_of;
use crate::store::error::CommandError;
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::ids::CustomerId;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;

/// Whom a sale is for; nobody if they were erased.
pub(super) async fn customer(
    connection: &mut AnyConnection,
    id: Option<CustomerId>,
) -> Result<Option<BasketCustomer>, CommandError> {
    let Some(id) = id else { return Ok(None) };
    let row = sqlx::query(
        "SELECT p.name, c.id, c.wholesale, c.certificate, c.keep_until, c.discount FROM person_data p \
         LEFT JOIN customer c ON c.id = p.id WHERE p.id = $1 AND p.erased_ms IS NULL",
    )
    .bind(id.raw())
    .fetch_optional(connection)
    .await?;
    let read = |row: AnyRow| {
        Ok(BasketCustomer {
            on_file: row.try_get::<Option<i64>, _>("id")?.map(CustomerId::from_raw),
            name: row.try_get("name")?,
            terms: terms_of(&row)?,
        })
    };
    row.map(read).transpose()
}

/// The names of the customers of open sales.
pub(super) async fn names(
    connection: &mut AnyConnection,
    contents: &[Content],
) -> Result<HashMap<CustomerId, String>, CommandError> {
    let ids: Vec<i64> = contents.iter().filter_map(|content| content.customer.map(CustomerId::raw)).collect();
    let mut names = HashMap::new();
    for chunk in ids.chunks(MAX_ROWS) {
        let text = in_text("SELECT id, name FROM person_data WHERE id", 1, chunk.len(), "");
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for id in padded(chunk) {
            statement = statement.bind(id);
        }
        for row in statement.fetch_all(&mut *connection).await? {
            names.insert(CustomerId::from_raw(row.try_get("id")?), row.try_get("name")?);
        }
    }
    Ok(names)
}
