//! The day's totals and what is read from them.

use crate::command::Tx;
use crate::error::{Failure, Stored};
use crate::refusal::Refusal;
use crate::shop::Shop;
use crate::sql::insert_rows_or;
use crate::store::Ledger;
use domain::channel::Channel;
use domain::day::{Day, Month};
use domain::money::{Currency, Money};
use domain::revenue::Figures;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;
use std::collections::BTreeMap;

const ADD: &str = "INSERT INTO day_total (day, channel, month, sales, units, weight, gross, discounts, refunds, \
    shipping, tax, fees, postage, cost, uncosted, rounding)";
const ADD_TO: &str = "ON CONFLICT (day, channel) DO UPDATE SET sales = day_total.sales + excluded.sales, \
    units = day_total.units + excluded.units, weight = day_total.weight + excluded.weight, \
    gross = day_total.gross + excluded.gross, discounts = day_total.discounts + excluded.discounts, \
    refunds = day_total.refunds + excluded.refunds, shipping = day_total.shipping + excluded.shipping, \
    tax = day_total.tax + excluded.tax, fees = day_total.fees + excluded.fees, \
    postage = day_total.postage + excluded.postage, cost = day_total.cost + excluded.cost, \
    uncosted = day_total.uncosted + excluded.uncosted, rounding = day_total.rounding + excluded.rounding";

/// Adds to the totals of days, in their order, as the last thing of a transaction.
pub(crate) async fn add(tx: &mut Tx, days: &BTreeMap<(Day, Channel), Figures>) -> Result<(), Failure> {
    let rows: Vec<_> = days.iter().collect();
    insert_rows_or(tx.db(), ADD, 16, ADD_TO, &rows, |statement, ((day, channel), sum)| {
        statement
            .bind(day.number())
            .bind(channel.as_str().to_owned())
            .bind(day.month().number())
            .bind(sum.sales)
            .bind(sum.units)
            .bind(sum.weight)
            .bind(sum.gross.minor())
            .bind(sum.discounts.minor())
            .bind(sum.refunds.minor())
            .bind(sum.shipping.minor())
            .bind(sum.tax.minor())
            .bind(sum.fees.minor())
            .bind(sum.postage.minor())
            .bind(sum.cost.minor())
            .bind(sum.uncosted)
            .bind(sum.rounding.minor())
    })
    .await?;
    Ok(())
}

/// Adds to the total of one day.
pub(crate) async fn add_one(tx: &mut Tx, day: Day, channel: &Channel, sum: &Figures) -> Result<(), Failure> {
    add(tx, &BTreeMap::from([((day, channel.clone()), *sum)])).await
}

/// Makes all totals anew from the entries that they sum, under the zone of `shop`.
pub(crate) async fn rebuild(tx: &mut Tx, shop: &Shop) -> Result<(), Failure> {
    let days = crate::entries::sum_by_day(tx.db(), shop).await?;
    sqlx::query("DELETE FROM day_total").execute(tx.db()).await?;
    add(tx, &days).await
}

/// What the rows of the books are grouped by; with none of them, one row sums all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct BooksBy {
    /// By day.
    pub day: bool,
    /// By month.
    pub month: bool,
    /// By channel.
    pub channel: bool,
}

/// Day, month and channel, where they are grouped by.
type Group = (Option<Day>, Option<Month>, Option<Channel>);

/// Which part of the books.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BooksQuery {
    /// From this month, inclusive.
    pub from: Option<Month>,
    /// To this month, inclusive.
    pub to: Option<Month>,
    /// Grouped by.
    pub by: BooksBy,
}

/// A row of the books.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BooksRow {
    /// The day, if grouped by it.
    pub day: Option<Day>,
    /// The month, if grouped by it.
    pub month: Option<Month>,
    /// The channel, if grouped by it.
    pub channel: Option<Channel>,
    /// The figures.
    pub figures: Figures,
}

/// The columns that are summed, in the order of [`figures_from`].
pub(crate) const SUMS: &str = "CAST(SUM(sales) AS BIGINT), CAST(SUM(units) AS BIGINT), CAST(SUM(weight) AS BIGINT), \
    CAST(SUM(gross) AS BIGINT), CAST(SUM(discounts) AS BIGINT), CAST(SUM(refunds) AS BIGINT), \
    CAST(SUM(shipping) AS BIGINT), CAST(SUM(tax) AS BIGINT), CAST(SUM(fees) AS BIGINT), \
    CAST(SUM(postage) AS BIGINT), CAST(SUM(cost) AS BIGINT), CAST(SUM(uncosted) AS BIGINT), \
    CAST(SUM(rounding) AS BIGINT)";

/// Figures from the columns of [`SUMS`], beginning at column `first`.
pub(crate) fn figures_from(row: &AnyRow, first: usize, currency: Currency) -> Result<Figures, Failure> {
    let money = |at: usize| Money::from_minor(row.try_get(first + at)?, currency).stored("day_total");
    Ok(Figures {
        sales: row.try_get(first)?,
        units: row.try_get(first + 1)?,
        weight: row.try_get(first + 2)?,
        gross: money(3)?,
        discounts: money(4)?,
        refunds: money(5)?,
        shipping: money(6)?,
        tax: money(7)?,
        fees: money(8)?,
        postage: money(9)?,
        cost: money(10)?,
        uncosted: row.try_get(first + 11)?,
        rounding: money(12)?,
    })
}

impl Ledger {
    /// The books, ordered by day, month and channel.
    pub async fn books(&self, query: &BooksQuery) -> Result<Vec<BooksRow>, Failure> {
        if let (Some(from), Some(to)) = (query.from, query.to)
            && to < from
        {
            let reason =
                format!("{to} is before {from}, the month to begin with; give the earlier one first");
            return Err(Refusal::invalid("to", reason).into());
        }
        let currency = self.refresh_shop().await?.currency;
        let mut connection = self.reader().await?;
        // By month and channel the engine sums; finer and coarser groups are summed here.
        let (day, group_by) = if query.by.day { ("day", "day, ") } else { ("CAST(0 AS BIGINT)", "") };
        let text = format!(
            "SELECT {day}, month, channel, {SUMS} FROM day_total WHERE month >= $1 AND month <= $2 \
             GROUP BY {group_by}month, channel"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(query.from.map_or(0, Month::number))
            .bind(query.to.map_or(999_999, Month::number))
            .fetch_all(&mut *connection)
            .await?;
        let mut sums: BTreeMap<Group, Figures> = BTreeMap::new();
        for row in &rows {
            let day = Day::from_number(row.try_get(0)?);
            let month = Month::from_number(row.try_get(1)?);
            let channel = Channel::parse(&row.try_get::<String, _>(2)?).stored("day_total.channel")?;
            let by = query.by;
            let key = (by.day.then_some(day), by.month.then_some(month), by.channel.then_some(channel));
            let sum = sums.entry(key).or_insert_with(|| Figures::none(currency));
            *sum = sum.plus(&figures_from(row, 3, currency)?).stored("day_total")?;
        }
        let row = |((day, month, channel), figures)| BooksRow { day, month, channel, figures };
        Ok(sums.into_iter().map(row).collect())
    }
}
