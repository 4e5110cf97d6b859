//! An unpaid order: its stock is held. What could not be held is out of stock and waits for a decision.

use super::adjust::line;
use super::change::{Later, end_holds};
use super::live::{self, Fill, Priced, SaleKind, SaleOf};
use super::said::{self, Said};
use super::share::Share;
use super::stored_lines::{self, StoredOrderLine};
use crate::shelf::holds::{self, Ended};
use crate::shelf::stock::{Take, try_take};
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::storage_error::StorageError;
use domain::ids::{HoldId, ItemId, SaleLineId};
use domain::stock::StockReason;
use std::collections::{BTreeMap, BTreeSet};

/// Another state that is not paid either.
pub(super) async fn adjust(tx: &mut Tx, later: Later<'_>) -> Result<(), CommandError> {
    let priced = live::price(tx, later.order).await?;
    set_aside(tx, later, &priced).await
}

/// It was paid: what is held is sold. What is out of stock waits for a decision, even if it is in stock
/// again.
pub(super) async fn pay(tx: &mut Tx, later: Later<'_>) -> Result<(), CommandError> {
    let Later { before, order, who, .. } = later;
    let priced = live::price(tx, order).await?;
    // What else the state changes is held first, and then sold with the rest.
    set_aside(tx, later, &priced).await?;
    let stood: Vec<StoredOrderLine> =
        stored_lines::read(tx, before.id).await?.into_iter().filter(|line| line.state == "held").collect();
    let mut lines = Vec::with_capacity(stood.len());
    let mut sold = Vec::with_capacity(stood.len());
    for (at, end) in end_holds(tx, &stood, "taken").await? {
        let take = Take { item: end.item, stock_units: end.stock_units, from_hold: end.stock_units };
        if !try_take(tx, &take, StockReason::Sold).await? {
            return Err(StorageError::impossible("a hold without its stock").into());
        }
        lines.push(line(tx, &priced, stood[at].item, stood[at].share)?);
        sold.push(stood[at].id);
    }
    let fills = vec![Fill::Filled; lines.len()];
    let shipping = order.shipping;
    let kind = match before.sale {
        None => SaleKind::First { shipping },
        // It was paid before, and all of that was refunded.
        Some(_) => SaleKind::Further { at: later.at(tx), shipping },
    };
    let of = SaleOf { id: before.id, order, kind, who };
    let sale_lines = live::sell(tx, of, &lines, &fills).await?.map(|(_, lines)| lines).unwrap_or_default();
    for (line, sale_line) in sold.iter().zip(sale_lines) {
        sqlx::query("UPDATE order_line SET state = 'filled', sale_line_id = $2 WHERE id = $1")
            .bind(line.raw())
            .bind(SaleLineId::raw(sale_line))
            .execute(tx.db())
            .await?;
    }
    Ok(())
}

/// Lines of one item for which the state says something else than their sum.
struct Changed {
    item: i64,
    now: Share,
    /// How much of it was held.
    held: i64,
    was_short: bool,
}

/// Holds what the state says about each item. Of an item that was out of stock, no more than was held
/// before, because what is out of stock waits for a decision.
async fn set_aside(tx: &mut Tx, later: Later<'_>, priced: &[Priced]) -> Result<(), CommandError> {
    let id = later.before.id;
    let now = said::of_lines(priced);
    let waiting: Vec<StoredOrderLine> =
        stored_lines::read(tx, id).await?.into_iter().filter(StoredOrderLine::waits).collect();
    let changed = changed(&waiting, &now);
    let dropped: Vec<StoredOrderLine> =
        waiting.into_iter().filter(|line| changed.iter().any(|c| c.item == line.item)).collect();
    let ended: Vec<Ended> = end_holds(tx, &dropped, "ended").await?.into_iter().map(|(_, end)| end).collect();
    holds::free(tx, &ended).await?;
    for line in &dropped {
        stored_lines::drop_waiting(tx, line.id).await?;
    }
    let (mut lines, mut fills, mut held) = (Vec::new(), Vec::new(), Vec::new());
    for one in changed.iter().filter(|one| one.now.stock_units > 0) {
        let aside = can_be_held(tx, one).await?;
        let aside = if aside == one.now.stock_units { one.now } else { one.now.part(aside) };
        let short = one.now.minus(aside);
        if aside.stock_units > 0 {
            let hold = HoldId::from_raw(tx.next_id()?);
            held.push((lines.len(), hold));
            lines.push(line(tx, priced, one.item, aside)?);
            fills.push(Fill::Held(hold));
        }
        if short.stock_units > 0 {
            lines.push(line(tx, priced, one.item, short)?);
            fills.push(Fill::Short);
        }
    }
    live::write_holds(tx, later.order, &lines, &held).await?;
    let first = stored_lines::next_position(tx, id).await?;
    live::write_lines(tx, id, &lines, &fills, &[], first).await?;
    said::replace(tx, id, &now).await
}

/// In the order of the items, so that two orders touch them in the same order.
fn changed(waiting: &[StoredOrderLine], now: &Said) -> Vec<Changed> {
    let mut by_item: BTreeMap<i64, Vec<&StoredOrderLine>> = BTreeMap::new();
    for line in waiting {
        by_item.entry(line.item).or_default().push(line);
    }
    let items: BTreeSet<i64> = by_item.keys().chain(now.keys()).copied().collect();
    let of_item = |item: i64| {
        let lines = by_item.get(&item).map(Vec::as_slice).unwrap_or_default();
        let now = now.get(&item).copied().unwrap_or_default();
        let stands = lines.iter().fold(Share::default(), |sum, line| sum.plus(line.share));
        let held = lines.iter().filter(|line| line.state == "held").map(|line| line.share.stock_units).sum();
        let was_short = lines.iter().any(|line| line.state == "short");
        (stands != now).then_some(Changed { item, now, held, was_short })
    };
    items.into_iter().filter_map(of_item).collect()
}

/// Holds as much of an item as possible; returns how much that is.
async fn can_be_held(tx: &mut Tx, one: &Changed) -> Result<i64, CommandError> {
    let item = ItemId::from_raw(one.item);
    if !one.was_short && holds::try_set_aside(tx, item, one.now.stock_units).await? {
        return Ok(one.now.stock_units);
    }
    let before = one.held.min(one.now.stock_units);
    if before > 0 && holds::try_set_aside(tx, item, before).await? {
        return Ok(before);
    }
    Ok(0)
}
