//! Reads one day of the books: its figures, sales and refunds.

use crate::books::{SUMS, figures_from};
use crate::sales::voids::Voided;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::sql::{in_text, padded};
use domain::channel::Channel;
use domain::day::{Day, Moment, Month};
use domain::ids::{RefundId, SaleId};
use domain::money::{Currency, Money};
use domain::revenue::Figures;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;

/// A sale in the list of its day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DaySale {
    /// Its identifier.
    pub id: SaleId,
    /// None for a past sale.
    pub receipt: Option<i64>,
    /// The order that it came in as.
    pub order: Option<String>,
    /// When.
    pub at: Moment,
    /// Where.
    pub channel: Channel,
    /// What was paid, less the change.
    pub paid: Money,
    /// Who voided it, when and why; none if nobody did.
    pub voided: Option<Voided>,
    /// What was sold, in the order of the lines.
    pub titles: Vec<String>,
}

/// A refund in the list of its day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayRefund {
    /// Its identifier.
    pub id: RefundId,
    /// The sale that it is of.
    pub sale: SaleId,
    /// The receipt number of that sale.
    pub receipt: Option<i64>,
    /// When.
    pub at: Moment,
    /// Where the sale was made.
    pub channel: Channel,
    /// What the customer got back.
    pub given: Money,
    /// Why.
    pub reason: String,
}

/// Where a list of a day's sales goes on: after this moment and this sale.
pub type DayCursor = (Moment, SaleId);

const SALES: &str = "SELECT s.id, s.receipt, o.number AS order_number, s.at_ms, s.channel, s.tendered - s.change_given AS paid, v.at_ms AS voided_ms, v.reason AS void_reason, v.who AS voided_by \
    FROM sale s LEFT JOIN customer_order o ON o.id = s.order_id LEFT JOIN sale_void v ON v.sale_id = s.id \
    WHERE s.at_ms >= $1 AND s.at_ms < $2 AND (s.at_ms, s.id) > ($3, $4) ORDER BY s.at_ms, s.id LIMIT $5";
const TITLES: &str = "SELECT sale_id, position, title FROM sale_line WHERE sale_id";
const REFUNDS: &str = "SELECT r.id, r.sale_id, s.receipt, r.at_ms, r.channel, r.tendered, r.reason \
    FROM refund r JOIN sale s ON s.id = r.sale_id WHERE r.at_ms >= $1 AND r.at_ms < $2 ORDER BY r.at_ms, r.id LIMIT $3";

impl Ledger {
    /// The first and the last month with anything booked.
    pub async fn books_span(&self) -> Result<Option<(Month, Month)>, CommandError> {
        let mut connection = self.reader().await?;
        let row =
            sqlx::query("SELECT MIN(month), MAX(month) FROM day_total").fetch_one(&mut *connection).await?;
        let month =
            |at: usize| Ok::<_, CommandError>(row.try_get::<Option<i64>, _>(at)?.map(Month::from_number));
        Ok(month(0)?.zip(month(1)?))
    }

    /// A day's figures by channel.
    pub async fn day_figures(&self, day: Day) -> Result<Vec<(Channel, Figures)>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let text = format!("SELECT channel, {SUMS} FROM day_total WHERE day = $1 GROUP BY channel");
        let rows = sqlx::query(AssertSqlSafe(text)).bind(day.number()).fetch_all(&mut *connection).await?;
        let mut figures = Vec::with_capacity(rows.len());
        for row in &rows {
            let channel =
                Channel::parse(&row.try_get::<String, _>("channel")?).stored("day_total.channel")?;
            figures.push((channel, figures_from(row, currency)?));
        }
        figures.sort_by(|a, b| a.0.cmp(&b.0));
        Ok(figures)
    }

    /// A day's sales in order, voided ones included, after `after` if given, at most `limit`.
    pub async fn day_sales(
        &self,
        day: Day,
        after: Option<DayCursor>,
        limit: usize,
    ) -> Result<Vec<DaySale>, CommandError> {
        let shop = self.shop();
        let (after, after_id) = after.map_or((i64::MIN, 0), |(at, id)| (at.millis(), id.raw()));
        let mut connection = self.reader().await?;
        let rows = sqlx::query(SALES)
            .bind(shop.zone.start_of(day).millis())
            .bind(shop.zone.start_of(day.plus_days(1)).millis())
            .bind(after)
            .bind(after_id)
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        let mut sales = rows.iter().map(|row| day_sale(row, shop.currency)).collect::<Result<Vec<_>, _>>()?;
        let ids: Vec<SaleId> = sales.iter().map(|sale| sale.id).collect();
        let mut titles = titles(&mut connection, &ids).await?;
        for sale in &mut sales {
            sale.titles = titles.remove(&sale.id.raw()).unwrap_or_default();
        }
        Ok(sales)
    }

    /// A day's refunds in order, at most `limit`.
    pub async fn day_refunds(&self, day: Day, limit: usize) -> Result<Vec<DayRefund>, CommandError> {
        let shop = self.shop();
        let mut connection = self.reader().await?;
        let rows = sqlx::query(REFUNDS)
            .bind(shop.zone.start_of(day).millis())
            .bind(shop.zone.start_of(day.plus_days(1)).millis())
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        let refund = |row: &AnyRow| {
            Ok(DayRefund {
                id: RefundId::from_raw(row.try_get("id")?),
                sale: SaleId::from_raw(row.try_get("sale_id")?),
                receipt: row.try_get("receipt")?,
                at: Moment::from_millis(row.try_get("at_ms")?),
                channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("refund.channel")?,
                given: Money::from_minor(row.try_get("tendered")?, shop.currency)
                    .stored("refund.tendered")?,
                reason: row.try_get("reason")?,
            })
        };
        rows.iter().map(refund).collect()
    }
}

fn day_sale(row: &AnyRow, currency: Currency) -> Result<DaySale, CommandError> {
    Ok(DaySale {
        id: SaleId::from_raw(row.try_get("id")?),
        receipt: row.try_get("receipt")?,
        order: row.try_get("order_number")?,
        at: Moment::from_millis(row.try_get("at_ms")?),
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("sale.channel")?,
        paid: Money::from_minor(row.try_get("paid")?, currency).stored("sale.tendered")?,
        voided: voided(row)?,
        titles: Vec::new(),
    })
}

fn voided(row: &AnyRow) -> Result<Option<Voided>, CommandError> {
    let Some(at) = row.try_get::<Option<i64>, _>("voided_ms")? else { return Ok(None) };
    let (reason, who) = (row.try_get("void_reason")?, row.try_get("voided_by")?);
    Ok(Some(Voided { at: Moment::from_millis(at), reason, who }))
}

/// The titles of each sale's lines.
async fn titles(
    connection: &mut AnyConnection,
    sales: &[SaleId],
) -> Result<HashMap<i64, Vec<String>>, CommandError> {
    let mut titles: HashMap<i64, Vec<String>> = HashMap::new();
    for chunk in sales.chunks(crate::store::sql::MAX_ROWS) {
        let text = in_text(TITLES, 1, chunk.len(), "ORDER BY sale_id, position");
        let mut statement = sqlx::query(AssertSqlSafe(text));
        for sale in padded(chunk) {
            statement = statement.bind(sale.raw());
        }
        for row in statement.fetch_all(&mut *connection).await? {
            titles.entry(row.try_get("sale_id")?).or_default().push(row.try_get("title")?);
        }
    }
    Ok(titles)
}
