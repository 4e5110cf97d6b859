//! Finds customers on file by a part of their name, e-mail address or phone number.

use super::terms_of;
use crate::store::Ledger;
use crate::store::error::CommandError;
use crate::store::rejection::{CustomersReason, Rejection};
use domain::customer::{Terms, searched};
use domain::ids::CustomerId;
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};
use std::fmt::Write;

/// The most words in a search; each needs a pass over the text of every customer.
pub const MAX_CUSTOMER_WORDS: usize = 8;

/// A search; the default finds everybody.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FindCustomers {
    /// Words of the name or the e-mail address, each of which must be found, or digits of a phone number.
    pub words: String,
    /// Only those who were added before this one.
    pub before: Option<CustomerId>,
}

/// A customer in a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CustomerSummary {
    /// The identifier.
    pub id: CustomerId,
    /// One line.
    pub name: String,
    /// May be empty.
    pub email: String,
    /// May be empty.
    pub phone: String,
    /// The terms on which they buy.
    pub terms: Terms,
}

impl Ledger {
    /// Customers on file, those added last first, at most `limit`.
    pub async fn find_customers(
        &self,
        find: &FindCustomers,
        limit: usize,
    ) -> Result<Vec<CustomerSummary>, CommandError> {
        let parts = searched(&find.words);
        if parts.len() > MAX_CUSTOMER_WORDS {
            let reason = CustomersReason::TooManyWords { limit: MAX_CUSTOMER_WORDS };
            return Err(Rejection::invalid("words", reason).into());
        }
        let mut connection = self.reader().await?;
        let mut statement = sqlx::query(AssertSqlSafe(text(parts.len())))
            .bind(find.before.map_or(i64::MAX, CustomerId::raw))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX));
        for part in parts {
            statement = statement.bind(part);
        }
        statement.fetch_all(&mut *connection).await?.iter().map(read).collect()
    }
}

/// Both engines have `replace`, which compares letter by letter; LIKE treats case differently in the two.
fn text(parts: usize) -> String {
    let mut text =
        "SELECT c.id, p.name, p.email, p.phone, c.wholesale, c.certificate, c.keep_until, c.discount \
        FROM customer c JOIN person_data p ON p.id = c.id WHERE c.id < $1 AND p.erased_ms IS NULL"
            .to_owned();
    for place in 3..3 + parts {
        // Writing to a String cannot fail.
        let _ = write!(text, " AND replace(p.folded, ${place}, '') <> p.folded");
    }
    text.push_str(" ORDER BY c.id DESC LIMIT $2");
    text
}

fn read(row: &AnyRow) -> Result<CustomerSummary, CommandError> {
    Ok(CustomerSummary {
        id: CustomerId::from_raw(row.try_get("id")?),
        name: row.try_get("name")?,
        email: row.try_get("email")?,
        phone: row.try_get("phone")?,
        terms: terms_of(row)?,
    })
}
