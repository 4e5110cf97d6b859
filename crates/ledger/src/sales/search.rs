//! Finds past sales: by receipt number, by what was sold, by day, by sum, by the words of titles and customers' names.

use crate::sales::sale_view::{SALE, SaleView};
use crate::shelf::lookup;
use crate::store::Ledger;
use crate::store::error::{CommandError, Naming};
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::codes::Code;
use domain::day::{Day, Moment};
use domain::ids::SaleId;
use domain::money::Money;
use domain::text;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;

/// A day, in milliseconds: from noon back to the previous noon, whatever the clocks did.
const DAY_MS: i64 = 24 * 60 * 60 * 1000;
/// Sales whose words are read in one search: some hundredths of a second. The next search goes on from there.
pub const MAX_SALES_READ: usize = 5000;
/// Sales that are read at once while looking for words.
const PAGE: usize = 500;

/// What to look for; every value that is given narrows the search.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SalesQuery {
    /// The receipt's number.
    pub receipt: Option<i64>,
    /// The code of something that was sold: ours, or one that a past sale keeps as text.
    pub code: Option<Code>,
    /// In the shop's time zone.
    pub day: Option<Day>,
    /// What was paid, less the change.
    pub due: Option<Money>,
    /// Each must be in a title, a code or a customer's name of the sale, without case; may be empty.
    pub words: String,
}

/// What a search found, the latest first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FoundSales {
    /// At most as many as were asked for.
    pub sales: Vec<SaleView>,
    /// Where the search goes on, if there may be more.
    pub next: Option<SaleId>,
    /// How far back the words of sales were read, if that ended before the first sale.
    pub read_back_to: Option<Moment>,
}

/// Which sales a statement selects, beside the place where it goes on.
struct Narrowed {
    text: String,
    span: (i64, i64),
    receipt: i64,
    item: i64,
    code: String,
    due: i64,
}

impl Ledger {
    /// Matching sales before `before` if given, at most `limit`.
    pub async fn find_sales(
        &self,
        query: &SalesQuery,
        before: Option<SaleId>,
        limit: usize,
    ) -> Result<FoundSales, CommandError> {
        let mut connection = self.reader().await?;
        let narrowed = self.narrowed(&mut connection, query).await?;
        let words: Vec<String> = text::fold(&query.words).split_whitespace().map(str::to_owned).collect();
        let page = if words.is_empty() { limit + 1 } else { PAGE };
        let (mut found, mut read) = (Vec::new(), 0);
        let (mut below, mut at) = (before.map_or(i64::MAX, SaleId::raw), None);
        let is_read = loop {
            let rows = narrowed.page(&mut connection, below, page).await?;
            let Some(last) = rows.last() else { break true };
            (below, at) = (last.0, Some(last.1));
            read += rows.len();
            let ids: Vec<i64> = rows.iter().map(|row| row.0).collect();
            found.extend(with_words(&mut connection, &ids, &words).await?);
            if rows.len() < page {
                break true;
            }
            if found.len() > limit || read >= MAX_SALES_READ {
                break false;
            }
        };
        let more = found.len() > limit;
        found.truncate(limit);
        let next = if more { found.last().copied() } else { Some(below).filter(|_| !is_read) };
        let mut sales = Vec::with_capacity(found.len());
        let statement = format!("{SALE} WHERE s.id = $1");
        for id in found {
            let text = AssertSqlSafe(statement.clone());
            let row = sqlx::query(text).bind(id).fetch_one(&mut *connection).await?;
            sales.push(self.view(&mut connection, &row).await?);
        }
        let read_back_to = at.filter(|_| !is_read && !more && !words.is_empty()).map(Moment::from_millis);
        Ok(FoundSales { sales, next: next.map(SaleId::from_raw), read_back_to })
    }

    /// Conditions that are not needed are left out, so that each index can be used. The index by time is only
    /// used with a day, because otherwise it would be read to its end before thirty sales are found.
    async fn narrowed(
        &self,
        connection: &mut AnyConnection,
        query: &SalesQuery,
    ) -> Result<Narrowed, CommandError> {
        let shop = self.shop();
        let (mut item, mut code) = (0, String::new());
        if let Some(sought) = &query.code {
            let known = lookup::find_known(connection, std::slice::from_ref(sought), shop.currency).await?;
            item = known.get(sought).map_or(0, |found| found.id.raw());
            code = sought.key();
        }
        let span = match query.day {
            Some(day) => {
                let noon = shop.zone.read(&day.to_string()).field("day")?;
                let start = shop.zone.end_of_day(noon.plus_millis(-DAY_MS));
                (start.millis(), shop.zone.end_of_day(noon).millis())
            }
            None => (0, 0),
        };
        let mut asks = vec!["s.id < $1"];
        asks.push(if query.day.is_some() { "s.at_ms >= $2 AND s.at_ms < $3" } else { "$2 = $3" });
        asks.push(if query.receipt.is_some() { "s.receipt = $4" } else { "$4 = 0" });
        asks.push(if query.code.is_some() {
            "s.id IN (SELECT sale_id FROM sale_line WHERE item_id = $5 \
             UNION SELECT sale_id FROM sale_line WHERE item_id IS NULL AND code <> '' AND code = $6)"
        } else {
            "$5 = 0 AND $6 = ''"
        });
        asks.push(if query.due.is_some() { "s.tendered - s.change_given = $7" } else { "$7 = 0" });
        let text = format!(
            "SELECT s.id, s.at_ms FROM sale s WHERE {} ORDER BY s.id DESC LIMIT $8",
            asks.join(" AND ")
        );
        let (receipt, due) = (query.receipt.unwrap_or(0), query.due.map_or(0, Money::minor));
        Ok(Narrowed { text, span, receipt, item, code, due })
    }
}

impl Narrowed {
    /// Sales below an identifier with their times, the latest first.
    async fn page(
        &self,
        connection: &mut AnyConnection,
        below: i64,
        limit: usize,
    ) -> Result<Vec<(i64, i64)>, CommandError> {
        let rows = sqlx::query(AssertSqlSafe(self.text.clone()))
            .bind(below)
            .bind(self.span.0)
            .bind(self.span.1)
            .bind(self.receipt)
            .bind(self.item)
            .bind(self.code.clone())
            .bind(self.due)
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(connection)
            .await?;
        rows.iter().map(|row| Ok((row.try_get("id")?, row.try_get("at_ms")?))).collect()
    }
}

/// What of a sale is searched for words.
const TEXTS: [&str; 4] = [
    "SELECT sale_id, title AS words, code AS more FROM sale_line WHERE sale_id",
    "SELECT t.sale_id, p.name AS words, '' AS more FROM tender t JOIN person_data p ON p.id = t.customer_id WHERE t.sale_id",
    "SELECT s.id AS sale_id, p.name AS words, '' AS more FROM sale s JOIN person_data p ON p.id = s.customer_id WHERE s.id",
    "SELECT s.id AS sale_id, COALESCE(p.name, '') AS words, o.number AS more FROM sale s \
     JOIN customer_order o ON o.id = s.order_id LEFT JOIN person_data p ON p.id = o.customer_id WHERE s.id",
];

/// Those of the sales that have all the words, in the same order.
async fn with_words(
    connection: &mut AnyConnection,
    sales: &[i64],
    words: &[String],
) -> Result<Vec<i64>, CommandError> {
    if words.is_empty() {
        return Ok(sales.to_vec());
    }
    let mut texts: HashMap<i64, String> = HashMap::with_capacity(sales.len());
    for chunk in sales.chunks(MAX_ROWS) {
        for head in TEXTS {
            let mut statement = sqlx::query(AssertSqlSafe(in_text(head, 1, chunk.len(), "")));
            for sale in padded(chunk) {
                statement = statement.bind(sale);
            }
            for row in statement.fetch_all(&mut *connection).await? {
                let text = texts.entry(row.try_get("sale_id")?).or_default();
                for column in ["words", "more"] {
                    text.push_str(&row.try_get::<String, _>(column)?);
                    text.push('\n');
                }
            }
        }
    }
    let has_all = |sale: &&i64| {
        let folded = text::fold(texts.get(*sale).map_or("", String::as_str));
        words.iter().all(|word| folded.contains(word.as_str()))
    };
    Ok(sales.iter().filter(has_all).copied().collect())
}
