//! Day totals, and what is read from them.

pub(crate) mod figures;

use crate::store::Ledger;
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{BooksReason, Rejection};
use crate::store::tables;
use domain::channel::Channel;
use domain::day::{Day, Month};
use domain::money::{Currency, MAX_DAY, Money};
use domain::quantity::MAX_DAY_MASS;
use domain::revenue::Figures;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;
use std::collections::BTreeMap;

const ADD_TO: &str = "ON CONFLICT (day, channel) DO UPDATE SET sales = day_total.sales + excluded.sales, \
    units = day_total.units + excluded.units, weight = day_total.weight + excluded.weight, \
    gross = day_total.gross + excluded.gross, discounts = day_total.discounts + excluded.discounts, \
    refunds = day_total.refunds + excluded.refunds, shipping = day_total.shipping + excluded.shipping, \
    tax = day_total.tax + excluded.tax, fees = day_total.fees + excluded.fees, \
    postage = day_total.postage + excluded.postage, cost = day_total.cost + excluded.cost, \
    uncosted = day_total.uncosted + excluded.uncosted, rounding = day_total.rounding + excluded.rounding \
    WHERE day_total.gross + excluded.gross BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.discounts + excluded.discounts BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.refunds + excluded.refunds BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.shipping + excluded.shipping BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.tax + excluded.tax BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.fees + excluded.fees BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.postage + excluded.postage BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.cost + excluded.cost BETWEEN -1000000000000000 AND 1000000000000000 \
    AND day_total.weight + excluded.weight BETWEEN -4000000000000000000 AND 4000000000000000000 \
    RETURNING 'day' AS part, day AS id, month AS value";
const DAY: &str = "day";

/// Adds to the totals of days, in their order, as the last step of a transaction. What would exceed
/// [`MAX_DAY`] or [`MAX_DAY_MASS`] is rejected, so that no wrong amount stops later sales.
pub(crate) async fn add(tx: &mut Tx, days: &BTreeMap<(Day, Channel), Figures>) -> Result<(), CommandError> {
    let mut bundle = Bundle::default();
    add_to(&mut bundle, days)?;
    tx.write(bundle).await?;
    Ok(())
}

/// The same, as the last part of a bundle.
pub(crate) fn add_to(bundle: &mut Bundle, days: &BTreeMap<(Day, Channel), Figures>) -> Result<(), Rejection> {
    let row = |(day, sum)| Ok((day, sum, in_reach(day, sum)?));
    let rows = days.iter().map(row).collect::<Result<Vec<_>, Rejection>>()?;
    bundle.insert(&tables::DAY_TOTAL, ADD_TO, &rows, |statement, ((day, channel), sum, weight)| {
        statement
            .bind(day.number())
            .bind(channel.as_str().to_owned())
            .bind(day.month().number())
            .bind(sum.sales)
            .bind(sum.units)
            .bind(*weight)
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
    });
    if let Some((day, ..)) = rows.last() {
        bundle.expect(DAY, rows.len(), full(day));
    }
    Ok(())
}

/// The weight to add, if a day has room for it at all.
fn in_reach(day: &(Day, Channel), sum: &Figures) -> Result<i64, Rejection> {
    let amounts =
        [sum.gross, sum.discounts, sum.refunds, sum.shipping, sum.tax, sum.fees, sum.postage, sum.cost];
    let weight = i64::try_from(sum.weight).ok().filter(|weight| weight.abs() <= MAX_DAY_MASS);
    weight.filter(|_| amounts.iter().all(|amount| amount.minor().abs() <= MAX_DAY)).ok_or_else(|| full(day))
}

fn full((day, channel): &(Day, Channel)) -> Rejection {
    Rejection::invalid("lines", BooksReason::DayFull { channel: channel.clone(), day: *day })
}

/// Adds to the total of one day.
pub(crate) async fn add_one(
    tx: &mut Tx,
    day: Day,
    channel: &Channel,
    sum: &Figures,
) -> Result<(), CommandError> {
    add(tx, &BTreeMap::from([((day, channel.clone()), *sum)])).await
}

/// Replaces all totals.
pub(crate) async fn replace(
    tx: &mut Tx,
    days: &BTreeMap<(Day, Channel), Figures>,
) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM day_total").execute(tx.db()).await?;
    add(tx, days).await
}

/// What the rows of the books are grouped by; without any, one row has the totals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct BooksBy {
    /// By day.
    pub day: bool,
    /// By month.
    pub month: bool,
    /// By channel.
    pub channel: bool,
}

/// Day, month and channel, as far as rows are grouped by them.
type Group = (Option<Day>, Option<Month>, Option<Channel>);

/// Which part of the books to read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BooksQuery {
    /// The first month; from the beginning if none.
    pub from: Option<Month>,
    /// The last month; to the end if none.
    pub to: Option<Month>,
    /// How to group it.
    pub by: BooksBy,
}

/// One row of the books.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BooksRow {
    /// If grouped by day.
    pub day: Option<Day>,
    /// If grouped by month.
    pub month: Option<Month>,
    /// If grouped by channel.
    pub channel: Option<Channel>,
    /// The totals of the group.
    pub figures: Figures,
}

/// The columns that are summed, for [`figures_from`].
/// Weight is summed in two halves, which add up to more than 2^63.
pub(crate) const SUMS: &str = "CAST(SUM(sales) AS BIGINT) AS sales, CAST(SUM(units) AS BIGINT) AS units, \
    CAST(SUM(weight >> 20) AS BIGINT) AS weight_high, CAST(SUM(weight & 1048575) AS BIGINT) AS weight_low, \
    CAST(SUM(gross) AS BIGINT) AS gross, CAST(SUM(discounts) AS BIGINT) AS discounts, \
    CAST(SUM(refunds) AS BIGINT) AS refunds, CAST(SUM(shipping) AS BIGINT) AS shipping, \
    CAST(SUM(tax) AS BIGINT) AS tax, CAST(SUM(fees) AS BIGINT) AS fees, \
    CAST(SUM(postage) AS BIGINT) AS postage, CAST(SUM(cost) AS BIGINT) AS cost, \
    CAST(SUM(uncosted) AS BIGINT) AS uncosted, CAST(SUM(rounding) AS BIGINT) AS rounding";

/// Figures from the columns of [`SUMS`].
pub(crate) fn figures_from(row: &AnyRow, currency: Currency) -> Result<Figures, CommandError> {
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("day_total");
    let (high, low): (i64, i64) = (row.try_get("weight_high")?, row.try_get("weight_low")?);
    Ok(Figures {
        sales: row.try_get("sales")?,
        units: row.try_get("units")?,
        weight: (i128::from(high) << 20) + i128::from(low),
        gross: money("gross")?,
        discounts: money("discounts")?,
        refunds: money("refunds")?,
        shipping: money("shipping")?,
        tax: money("tax")?,
        fees: money("fees")?,
        postage: money("postage")?,
        cost: money("cost")?,
        uncosted: row.try_get("uncosted")?,
        rounding: money("rounding")?,
    })
}

impl Ledger {
    /// The books, ordered by day, month and channel.
    pub async fn books(&self, query: &BooksQuery) -> Result<Vec<BooksRow>, CommandError> {
        if let (Some(from), Some(to)) = (query.from, query.to)
            && to < from
        {
            return Err(Rejection::invalid("to", BooksReason::MonthsReversed { from, to }).into());
        }
        let currency = self.refresh_shop().await?.currency;
        let mut connection = self.reader().await?;
        // The database sums by month and channel; finer and coarser groups are summed here.
        let (day, group_by) = if query.by.day { ("day", "day, ") } else { ("CAST(0 AS BIGINT) AS day", "") };
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
            let day = Day::from_number(row.try_get("day")?);
            let month = Month::from_number(row.try_get("month")?);
            let channel =
                Channel::parse(&row.try_get::<String, _>("channel")?).stored("day_total.channel")?;
            let by = query.by;
            let key = (by.day.then_some(day), by.month.then_some(month), by.channel.then_some(channel));
            let sum = sums.entry(key).or_insert_with(|| Figures::none(currency));
            *sum = sum.plus(&figures_from(row, currency)?).stored("day_total")?;
        }
        let row = |((day, month, channel), figures)| BooksRow { day, month, channel, figures };
        Ok(sums.into_iter().map(row).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A statement is the same text for both engines and cannot use a constant's name.
    #[test]
    fn the_statement_says_the_limits_of_a_day() {
        let range = |most: i64| format!("BETWEEN -{most} AND {most}");
        assert_eq!(ADD_TO.matches(&range(MAX_DAY)).count(), 8);
        assert_eq!(ADD_TO.matches(&range(MAX_DAY_MASS)).count(), 1);
    }
}
