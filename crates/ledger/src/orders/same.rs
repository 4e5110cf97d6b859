//! Whether a state belongs to the known order with its number, or to another purchase.

use super::ExistingOrder;
use crate::shelf::lookup;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{OrdersReason, Rejection};
use domain::channel::Channel;
use domain::codes::Code;
use domain::ids::{OrderId, SaleId};
use domain::order::IncomingOrder;
use sqlx::Row;
use std::collections::HashSet;

/// A number that was used again for another purchase: ordered on another day, and without a line in
/// common. A changed day alone means the same order, and so do lines that were all exchanged.
pub(super) async fn is_another_purchase(
    tx: &mut Tx,
    order: &IncomingOrder,
    before: &ExistingOrder,
) -> Result<bool, CommandError> {
    let zone = &tx.shop().zone;
    if order.lines.is_empty() || zone.day_of(order.ordered) == zone.day_of(before.ordered) {
        return Ok(false);
    }
    let known = known_lines(tx, before.id, before.sale).await?;
    Ok(!has_line_of(tx, order, &known).await?)
}

async fn has_line_of(tx: &mut Tx, order: &IncomingOrder, known: &KnownLines) -> Result<bool, CommandError> {
    let codes: Vec<Code> = order.lines.iter().filter_map(|line| line.code.clone()).collect();
    let currency = tx.shop().currency;
    let found = lookup::find_known(tx.db(), &codes, currency).await?;
    Ok(order.lines.iter().any(|line| match &line.code {
        Some(code) => {
            known.texts.contains(&code.key())
                || found.get(code).is_some_and(|item| known.items.contains(&item.id.raw()))
        }
        None => known.texts.contains(&line.name),
    }))
}

/// What a known order's lines are about: items of this shop, and codes or names as text.
struct KnownLines {
    items: HashSet<i64>,
    texts: HashSet<String>,
}

async fn known_lines(tx: &mut Tx, order: OrderId, sale: Option<SaleId>) -> Result<KnownLines, CommandError> {
    let rows = sqlx::query(
        "SELECT item_id, code, title FROM order_line WHERE order_id = $1 UNION ALL \
         SELECT item_id, code, title FROM sale_line WHERE sale_id = $2",
    )
    .bind(order.raw())
    .bind(sale.map_or(0, SaleId::raw))
    .fetch_all(tx.db())
    .await?;
    let mut known = KnownLines { items: HashSet::new(), texts: HashSet::new() };
    for row in &rows {
        known.items.extend(row.try_get::<Option<i64>, _>("item_id")?);
        let (code, title): (String, String) = (row.try_get("code")?, row.try_get("title")?);
        known.texts.extend([code, title].into_iter().filter(|text| !text.is_empty()));
    }
    Ok(known)
}

/// An order that is known on another channel: placed at the same time with the same number, and with a
/// line in common. If it were taken in here too, its goods would be sold twice.
pub(super) async fn is_on_another_channel(
    tx: &mut Tx,
    order: &IncomingOrder,
) -> Result<Option<Rejection>, CommandError> {
    let row = sqlx::query(
        "SELECT o.id, o.sale_id, o.channel FROM channel c JOIN customer_order o ON o.channel = c.code \
         WHERE o.number = $1 AND c.code <> $2 AND o.ordered_ms = $3 AND o.backfilled = 0 LIMIT 1",
    )
    .bind(order.number.to_string())
    .bind(order.channel.as_str().to_owned())
    .bind(order.ordered.millis())
    .fetch_optional(tx.db())
    .await?;
    let Some(row) = row else { return Ok(None) };
    let sale = row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw);
    let known = known_lines(tx, OrderId::from_raw(row.try_get("id")?), sale).await?;
    if !has_line_of(tx, order, &known).await? {
        return Ok(None);
    }
    let channel = Channel::parse(&row.try_get::<String, _>("channel")?).stored("customer_order.channel")?;
    let reason = OrdersReason::OfAnotherChannel { number: order.number.clone(), channel };
    Ok(Some(Rejection::invalid("channel", reason)))
}
