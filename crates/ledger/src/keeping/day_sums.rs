//! Computes sums again from the entries themselves, for a new time zone and for `check`.

use crate::books::figures::{book_line, put_back, refunded, sale_figures};
use crate::store::error::{CommandError, Stored};
use crate::store::settings::Shop;
use domain::channel::Channel;
use domain::day::{Day, Moment};
use domain::money::Money;
use domain::revenue::Figures;
use sqlx::{AnyConnection, Row};
use std::collections::BTreeMap;

/// Figures by day and channel.
pub(crate) type Days = BTreeMap<(Day, Channel), Figures>;

/// How many sales or refunds are read at once, to limit memory whatever the shop's size.
const AT_ONCE: i64 = 2000;

/// The sums of all sales that are not voided, refunds and goods returned to stock, by day and channel.
pub(crate) async fn sum_by_day(connection: &mut AnyConnection, shop: &Shop) -> Result<Days, CommandError> {
    let mut days = Days::new();
    add_sales(connection, shop, &mut days).await?;
    add_refunds(connection, shop, &mut days).await?;
    add_put_back(connection, shop, &mut days).await?;
    add_fees(connection, shop, &mut days).await?;
    days.retain(|_, figures| *figures != Figures::none(shop.currency));
    Ok(days)
}

fn add(
    days: &mut Days,
    shop: &Shop,
    at: Moment,
    channel: &str,
    figures: &Figures,
) -> Result<(), CommandError> {
    let channel = Channel::parse(channel).stored("channel")?;
    let sum = days.entry((shop.zone.day_of(at), channel)).or_insert_with(|| Figures::none(shop.currency));
    *sum = sum.plus(figures).stored("day total")?;
    Ok(())
}

async fn add_sales(connection: &mut AnyConnection, shop: &Shop, days: &mut Days) -> Result<(), CommandError> {
    let mut after: i64 = -1;
    loop {
        let rows = sqlx::query(
            "SELECT s.id, s.channel, s.at_ms, s.shipping, s.fee, s.rounding, \
             l.kind, l.stock_units, l.unit, l.amount, l.discount, l.tax, l.cost, \
             CASE WHEN o.sale_id <> s.id THEN 1 ELSE 0 END AS is_further \
             FROM sale s LEFT JOIN sale_line l ON l.sale_id = s.id LEFT JOIN customer_order o ON o.id = s.order_id \
             WHERE s.id IN (SELECT id FROM sale WHERE id > $1 ORDER BY id LIMIT $2) \
             AND NOT EXISTS (SELECT 1 FROM sale_void v WHERE v.sale_id = s.id) ORDER BY s.id, l.id",
        )
        .bind(after)
        .bind(AT_ONCE)
        .fetch_all(&mut *connection)
        .await?;
        for of_sale in rows.chunk_by(|a, b| a.try_get::<i64, _>("id").ok() == b.try_get::<i64, _>("id").ok())
        {
            let sale = &of_sale[0];
            // A further sale of an order may consist of shipping alone.
            let has_lines = sale.try_get::<Option<String>, _>("kind")?.is_some();
            let lines = of_sale.iter().filter(|_| has_lines).map(|r| book_line(r, shop.currency));
            let lines = lines.collect::<Result<Vec<_>, _>>()?;
            let money = |column: &str| Money::from_minor(sale.try_get(column)?, shop.currency).stored("sale");
            let figures = sale_figures(&lines, money("shipping")?, money("fee")?, money("rounding")?)?;
            // An order counts once, by its first sale.
            let sales = 1 - sale.try_get::<i64, _>("is_further")?;
            let figures = Figures { sales, ..figures };
            let at = Moment::from_millis(sale.try_get("at_ms")?);
            add(days, shop, at, &sale.try_get::<String, _>("channel")?, &figures)?;
        }
        // The end of the page is read separately, because its last sales may all be voided.
        let end = sqlx::query(
            "SELECT MAX(id) AS last_id FROM (SELECT id FROM sale WHERE id > $1 ORDER BY id LIMIT $2) AS page",
        )
        .bind(after)
        .bind(AT_ONCE)
        .fetch_one(&mut *connection)
        .await?;
        match end.try_get::<Option<i64>, _>("last_id")? {
            Some(end) => after = end,
            None => return Ok(()),
        }
    }
}

async fn add_refunds(
    connection: &mut AnyConnection,
    shop: &Shop,
    days: &mut Days,
) -> Result<(), CommandError> {
    let mut after: i64 = -1;
    loop {
        let rows = sqlx::query(
            "SELECT r.id, r.channel, r.at_ms, r.shipping, r.rounding FROM refund r WHERE r.id > $1 ORDER BY r.id LIMIT $2",
        )
        .bind(after)
        .bind(AT_ONCE)
        .fetch_all(&mut *connection)
        .await?;
        let Some(last) = rows.last() else { return Ok(()) };
        for row in &rows {
            let money =
                |column: &str| Money::from_minor(row.try_get(column)?, shop.currency).stored("refund");
            let figures = Figures {
                shipping: money("shipping")?.negated(),
                rounding: money("rounding")?.negated(),
                ..Figures::none(shop.currency)
            };
            add(
                days,
                shop,
                Moment::from_millis(row.try_get("at_ms")?),
                &row.try_get::<String, _>("channel")?,
                &figures,
            )?;
        }
        let (first, last): (i64, i64) = (after, last.try_get("id")?);
        let lines = sqlx::query(
            "SELECT r.channel, r.at_ms, l.kind, rl.stock_units, l.unit, rl.amount, rl.discount, rl.tax, rl.cost, rl.units \
             FROM refund r JOIN refund_line rl ON rl.refund_id = r.id JOIN sale_line l ON l.id = rl.sale_line_id \
             WHERE r.id > $1 AND r.id <= $2",
        )
        .bind(first)
        .bind(last)
        .fetch_all(&mut *connection)
        .await?;
        for row in &lines {
            let figures = refunded(&book_line(row, shop.currency)?, row.try_get("units")?)?;
            add(
                days,
                shop,
                Moment::from_millis(row.try_get("at_ms")?),
                &row.try_get::<String, _>("channel")?,
                &figures,
            )?;
        }
        after = last;
    }
}

async fn add_put_back(
    connection: &mut AnyConnection,
    shop: &Shop,
    days: &mut Days,
) -> Result<(), CommandError> {
    let mut after: i64 = -1;
    loop {
        let rows = sqlx::query(
            "SELECT c.refund_line_id, r.channel, c.at_ms, l.kind, rl.stock_units, l.unit, rl.amount, rl.discount, rl.tax, \
             l.cost, rl.cost AS back_cost, rl.units FROM return_decision c JOIN refund_line rl ON rl.id = c.refund_line_id \
             JOIN refund r ON r.id = rl.refund_id JOIN sale_line l ON l.id = rl.sale_line_id \
             WHERE c.disposition = 'shelf' AND c.refund_line_id > $1 ORDER BY c.refund_line_id LIMIT $2",
        )
        .bind(after)
        .bind(AT_ONCE)
        .fetch_all(&mut *connection)
        .await?;
        let Some(last) = rows.last() else { return Ok(()) };
        after = last.try_get("refund_line_id")?;
        for row in &rows {
            let line = book_line(row, shop.currency)?;
            let cost =
                Money::from_minor(row.try_get("back_cost")?, shop.currency).stored("refund_line.cost")?;
            let figures = put_back(cost, line.cost.is_some(), row.try_get("units")?);
            add(
                days,
                shop,
                Moment::from_millis(row.try_get("at_ms")?),
                &row.try_get::<String, _>("channel")?,
                &figures,
            )?;
        }
    }
}

/// What later states of orders changed about the fees that channels keep.
async fn add_fees(connection: &mut AnyConnection, shop: &Shop, days: &mut Days) -> Result<(), CommandError> {
    let mut after: i64 = -1;
    loop {
        let rows = sqlx::query(
            "SELECT id, channel, at_ms, amount FROM order_fee WHERE id > $1 ORDER BY id LIMIT $2",
        )
        .bind(after)
        .bind(AT_ONCE)
        .fetch_all(&mut *connection)
        .await?;
        let Some(last) = rows.last() else { return Ok(()) };
        after = last.try_get("id")?;
        for row in &rows {
            let fees = Money::from_minor(row.try_get("amount")?, shop.currency).stored("order_fee.amount")?;
            let figures = Figures { fees, ..Figures::none(shop.currency) };
            add(
                days,
                shop,
                Moment::from_millis(row.try_get("at_ms")?),
                &row.try_get::<String, _>("channel")?,
                &figures,
            )?;
        }
    }
}
