//! What the entries of the activity log are about: items and sales by the names that people know.

use crate::people::{Activity, ActivityRow};
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::codes::Code;
use domain::ids::{ActivityId, SaleId};
use sqlx::{AssertSqlSafe, Row};
use std::collections::HashMap;

/// What an entry of the activity log is about, if that has a page of its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Subject {
    /// An item.
    Item {
        /// Its SKU today.
        sku: String,
        /// Its name today.
        name: String,
        /// Its in-store code, by which its page is found.
        in_store: String,
    },
    /// A sale.
    Sale {
        /// Its identifier.
        id: SaleId,
        /// The number of its receipt; none if it was made in another system.
        receipt: Option<i64>,
    },
}

impl Ledger {
    /// The subjects of entries that have a page. An item that was renamed is found by every code it ever had.
    pub async fn activity_subjects(
        &self,
        rows: &[ActivityRow],
    ) -> Result<HashMap<ActivityId, Subject>, CommandError> {
        let of = |acts: &[Activity]| -> Vec<(ActivityId, &str)> {
            let about = rows.iter().filter(|row| row.customer.is_none() && acts.contains(&row.act));
            about.map(|row| (row.id, row.what.as_str())).collect()
        };
        let mut subjects = self.items_about(&of(OF_ITEMS)).await?;
        subjects.extend(self.sales_about(&of(OF_SALES)).await?);
        Ok(subjects)
    }

    async fn items_about(
        &self,
        about: &[(ActivityId, &str)],
    ) -> Result<HashMap<ActivityId, Subject>, CommandError> {
        let keyed: Vec<(ActivityId, String)> =
            about.iter().filter_map(|(id, text)| Some((*id, Code::parse(text).ok()?.key()))).collect();
        let keys: Vec<String> = keyed.iter().map(|(_, key)| key.clone()).collect();
        let mut connection = self.reader().await?;
        let mut found = HashMap::new();
        for chunk in keys.chunks(MAX_ROWS) {
            const FIND: &str = "SELECT c.code, i.sku, i.name, i.in_store FROM code c JOIN item i ON i.id = c.item_id WHERE c.code";
            let mut statement = sqlx::query(AssertSqlSafe(in_text(FIND, 1, chunk.len(), "")));
            for key in padded(chunk) {
                statement = statement.bind(key);
            }
            for row in statement.fetch_all(&mut *connection).await? {
                let (sku, name, in_store) =
                    (row.try_get("sku")?, row.try_get("name")?, row.try_get("in_store")?);
                let item = Subject::Item { sku, name, in_store };
                found.insert(row.try_get::<String, _>("code")?, item);
            }
        }
        Ok(keyed.into_iter().filter_map(|(id, key)| Some((id, found.get(&key)?.clone()))).collect())
    }

    async fn sales_about(
        &self,
        about: &[(ActivityId, &str)],
    ) -> Result<HashMap<ActivityId, Subject>, CommandError> {
        let keyed: Vec<(ActivityId, i64)> =
            about.iter().filter_map(|(id, text)| Some((*id, text.parse().ok()?))).collect();
        let ids: Vec<i64> = keyed.iter().map(|(_, sale)| *sale).collect();
        let mut connection = self.reader().await?;
        let mut found = HashMap::new();
        for chunk in ids.chunks(MAX_ROWS) {
            let text = in_text("SELECT id, receipt FROM sale WHERE id", 1, chunk.len(), "");
            let mut statement = sqlx::query(AssertSqlSafe(text));
            for id in padded(chunk) {
                statement = statement.bind(id);
            }
            for row in statement.fetch_all(&mut *connection).await? {
                let id: i64 = row.try_get("id").stored("sale.id")?;
                let sale = Subject::Sale { id: SaleId::from_raw(id), receipt: row.try_get("receipt")? };
                found.insert(id, sale);
            }
        }
        Ok(keyed.into_iter().filter_map(|(id, sale)| Some((id, found.get(&sale)?.clone()))).collect())
    }
}

/// Entries about one item, by a SKU that it had.
const OF_ITEMS: &[Activity] = &[
    Activity::Price,
    Activity::Correction,
    Activity::Removal,
    Activity::Stock,
    Activity::OtherIdEntered,
    Activity::DifferenceSettled,
];
/// Entries about one sale, by its identifier.
const OF_SALES: &[Activity] = &[Activity::Refund, Activity::Void];
