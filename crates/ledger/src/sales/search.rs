//! Finds past sales: by receipt number, by what was sold, by day.

use crate::sales::sale_view::{SALE, SaleView};
use crate::shelf::lookup;
use crate::store::Ledger;
use crate::store::error::{CommandError, Naming};
use domain::codes::Code;
use domain::day::Day;
use domain::ids::SaleId;
use sqlx::AssertSqlSafe;

/// A day, in milliseconds: from noon back to the previous noon, whatever the clocks did.
const DAY_MS: i64 = 24 * 60 * 60 * 1000;

/// What to look for; every value that is given narrows the search.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SalesQuery {
    /// The receipt's number.
    pub receipt: Option<i64>,
    /// The code of something that was sold: ours, or one that a past sale keeps as text.
    pub code: Option<Code>,
    /// In the shop's time zone.
    pub day: Option<Day>,
}

impl Ledger {
    /// Matching sales, latest first, before `before` if given, at most `limit`.
    pub async fn find_sales(
        &self,
        query: &SalesQuery,
        before: Option<SaleId>,
        limit: usize,
    ) -> Result<Vec<SaleView>, CommandError> {
        let mut connection = self.reader().await?;
        let shop = self.shop();
        let (mut item, mut text) = (0, String::new());
        if let Some(code) = &query.code {
            let known =
                lookup::find_known(&mut connection, std::slice::from_ref(code), shop.currency).await?;
            item = known.get(code).map_or(0, |found| found.id.raw());
            text = code.key();
        }
        let (from, to) = match query.day {
            Some(day) => {
                let noon = shop.zone.read(&day.to_string()).field("day")?;
                let start = shop.zone.end_of_day(noon.plus_millis(-DAY_MS));
                (start.millis(), shop.zone.end_of_day(noon).millis())
            }
            None => (0, 0),
        };
        // Conditions that are not needed are left out, so that each index can be used. The index by
        // time is only used with a day, because otherwise it would be read to its end before thirty
        // sales are found.
        let mut asks = vec!["s.id < $1"];
        asks.push(if query.day.is_some() { "s.at_ms >= $2 AND s.at_ms < $3" } else { "$2 = $3" });
        asks.push(if query.receipt.is_some() { "s.receipt = $4" } else { "$4 = 0" });
        asks.push(if query.code.is_some() {
            "s.id IN (SELECT sale_id FROM sale_line WHERE item_id = $5 \
             UNION SELECT sale_id FROM sale_line WHERE item_id IS NULL AND code <> '' AND code = $6)"
        } else {
            "$5 = 0 AND $6 = ''"
        });
        let statement = format!("{SALE} WHERE {} ORDER BY s.id DESC LIMIT $7", asks.join(" AND "));
        let rows = sqlx::query(AssertSqlSafe(statement))
            .bind(before.map_or(i64::MAX, SaleId::raw))
            .bind(from)
            .bind(to)
            .bind(query.receipt.unwrap_or(0))
            .bind(item)
            .bind(text)
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        let mut sales = Vec::with_capacity(rows.len());
        for row in &rows {
            sales.push(self.view(&mut connection, row).await?);
        }
        Ok(sales)
    }
}
