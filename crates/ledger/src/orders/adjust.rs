//! Changes a paid order with other lines or amounts: brings its lines to what the later state says, by
//! refunds and by further sales of the same order.

use super::change::{self, Later};
use super::live::{self, Fill, Priced, SaleKind, SaleOf};
use super::plan::{self, Plan, Stands};
use super::said::{self, Said};
use super::share::Share;
use super::stored_lines::{self, StoredOrderLine};
use super::{ExistingOrder, given_back};
use crate::sales::refunds::{NewRefund, RefundLine, RefundOf, RefundTender};
use crate::shelf::holds::{self, Ended};
use crate::shelf::lookup::Found;
use crate::shelf::stock::{Take, try_take};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{OrdersReason, Rejection};
use crate::store::storage_error::StorageError;
use domain::ids::{SaleId, SaleLineId};
use domain::money::Money;
use domain::quantity::{Asked, Quantity};
use domain::stock::{ReturnDisposition, StockReason};
use sqlx::Row;
use std::collections::{BTreeMap, BTreeSet};

/// What to book for one item, with its lines.
struct Item {
    item: i64,
    plan: Plan,
    /// The order's booked lines, in the numbering of the plan, and those that wait.
    sold: Vec<StoredOrderLine>,
    waiting: Vec<StoredOrderLine>,
}

pub(super) async fn book(tx: &mut Tx, later: Later<'_>) -> Result<(), CommandError> {
    let Later { before, order, .. } = later;
    let priced = live::price(tx, order).await?;
    let now = said::of_lines(&priced);
    let mut was = said::read(tx, before.id).await?;
    let mut stood = stored_lines::read(tx, before.id).await?;
    rename(tx, &mut stood, &mut was, &now).await?;
    let items = plans(tx, later, stood, &was, &now).await?;
    change::take_rows(tx, touched(&items)).await?;
    let shipping = shipping(tx, later).await?;
    give_back(tx, later, &items, shipping.less).await?;
    let waiting = drop_waiting(tx, &items).await?;
    let further = Further { later, shipping: shipping.more, waiting };
    sell(tx, further, &items, &priced).await?;
    said::replace(tx, before.id, &now).await
}

/// The online shop may use its own name for what was sold in place of a line; then it is a line like
/// any other.
async fn rename(
    tx: &mut Tx,
    stood: &mut [StoredOrderLine],
    was: &mut Said,
    now: &Said,
) -> Result<(), CommandError> {
    for line in stood.iter_mut().filter(|line| line.ordered != line.item && line.sold.is_some()) {
        let renamed = !now.contains_key(&line.ordered) && now.contains_key(&line.item);
        if !renamed || was.contains_key(&line.item) {
            continue;
        }
        let Some(share) = was.remove(&line.ordered) else { continue };
        was.insert(line.item, share);
        line.ordered = line.item;
        sqlx::query("UPDATE order_line SET for_item_id = NULL WHERE id = $1")
            .bind(line.id.raw())
            .execute(tx.db())
            .await?;
    }
    Ok(())
}

async fn plans(
    tx: &mut Tx,
    later: Later<'_>,
    stood: Vec<StoredOrderLine>,
    was: &Said,
    now: &Said,
) -> Result<Vec<Item>, CommandError> {
    let numbered = stored_lines::numbered(tx, later.before.id).await?;
    let mut by_item: BTreeMap<i64, (Vec<StoredOrderLine>, Vec<StoredOrderLine>)> = BTreeMap::new();
    for line in stood {
        let (sold, waiting) = by_item.entry(line.ordered).or_default();
        if line.sold.is_some() {
            sold.push(line);
        } else if line.waits() {
            waiting.push(line);
        }
    }
    let items: BTreeSet<i64> = was.keys().chain(now.keys()).copied().collect();
    let mut planned = Vec::new();
    for item in items {
        let (sold, waiting) = by_item.remove(&item).unwrap_or_default();
        let stands = Stands {
            said: was.get(&item).copied().unwrap_or_default(),
            sold: sold.iter().map(StoredOrderLine::as_planned).collect(),
            numbered: sum(sold.iter().filter_map(|l| numbered.get(&l.sold?.1)).copied()),
            waits: sum(waiting.iter().map(|line| line.share)),
        };
        let now = now.get(&item).copied().unwrap_or_default();
        let title = || sold.iter().chain(&waiting).map(|l| l.title.clone()).next().unwrap_or_default();
        let plan = plan::plan(&stands, now, tx.shop().currency).map_err(|plan::Mixed| {
            Rejection::invalid("price", OrdersReason::MoneyChanged { title: title() })
        })?;
        refuse_if_settled(&plan, &sold, title)?;
        planned.push(Item { item, plan, sold, waiting });
    }
    Ok(planned)
}

/// The items whose stock the plans change.
fn touched(items: &[Item]) -> BTreeSet<i64> {
    let mut touched = BTreeSet::new();
    for item in items {
        touched.extend(item.plan.back.iter().map(|(at, _)| item.sold[*at].item));
        touched.extend(item.waiting.iter().map(|line| line.item));
        if item.plan.again.is_some() || item.plan.more.is_some() {
            touched.insert(item.item);
        }
    }
    touched
}

fn sum(shares: impl Iterator<Item = Share>) -> Share {
    shares.fold(Share::default(), Share::plus)
}

/// What somebody substituted for a line is not sold again by itself.
fn refuse_if_settled(
    plan: &Plan,
    sold: &[StoredOrderLine],
    title: impl Fn() -> String,
) -> Result<(), Rejection> {
    let instead = sold.iter().find(|line| line.ordered != line.item && line.state == "filled");
    match instead {
        Some(line) if plan.again.is_some() => {
            let reason = OrdersReason::SubstituteChanged { title: title(), substitute: line.title.clone() };
            Err(Rejection::invalid("orderQuantity", reason))
        }
        _ => Ok(()),
    }
}

/// How the shipping of an order changes.
#[derive(Clone, Copy, Default)]
struct Shipping {
    less: i64,
    more: i64,
}

/// Compared with the state before. What somebody refunded of it counts if it becomes less.
async fn shipping(tx: &mut Tx, later: Later<'_>) -> Result<Shipping, CommandError> {
    if later.before.sale.is_none() {
        return Ok(Shipping::default());
    }
    let left: i64 = shipping_left(tx, later.before).await?.iter().map(|(_, left)| left).sum();
    let (was, now) = (later.shipping, later.order.shipping.minor());
    if now >= was {
        return Ok(Shipping { less: 0, more: now - was });
    }
    let by_hand = (was - left).max(0);
    Ok(Shipping { less: (was - now - by_hand).clamp(0, left), more: 0 })
}

/// Shipping of the order's sales that was not refunded, latest sale first.
pub(super) async fn shipping_left(
    tx: &mut Tx,
    before: &ExistingOrder,
) -> Result<Vec<(SaleId, i64)>, CommandError> {
    let rows = sqlx::query(
        "SELECT s.id, s.shipping - COALESCE(b.shipping, 0) AS shipping_left FROM sale s LEFT JOIN sale_refunded b ON b.sale_id = s.id \
         WHERE s.order_id = $1 ORDER BY s.id DESC",
    )
    .bind(before.id.raw())
    .fetch_all(tx.db())
    .await?;
    rows.iter().map(|row| Ok((SaleId::from_raw(row.try_get("id")?), row.try_get("shipping_left")?))).collect()
}

/// Books one refund per sale for what became less.
async fn give_back(tx: &mut Tx, later: Later<'_>, items: &[Item], shipping: i64) -> Result<(), CommandError> {
    let mut by_sale: BTreeMap<SaleId, (Vec<RefundLine>, i64)> = BTreeMap::new();
    for item in items {
        for (at, stock_units) in &item.plan.back {
            let line = &item.sold[*at];
            let Some((sale, sale_line)) = line.sold else { continue };
            let what = RefundOf::Goods(stock_units_asked(tx, sale_line, *stock_units).await?);
            let back = RefundLine { line: sale_line, what, fate: ReturnDisposition::Shelf };
            by_sale.entry(sale).or_default().0.push(back);
            if line.share.stock_units - line.back.stock_units == *stock_units {
                stored_lines::set_state(tx, line.id, "undone").await?;
            }
        }
    }
    let mut less = shipping;
    for (sale, left) in shipping_left(tx, later.before).await? {
        let part = less.min(left);
        if part > 0 {
            by_sale.entry(sale).or_default().1 += part;
            less -= part;
        }
    }
    let at = later.at(tx);
    for (sale, (lines, shipping)) in by_sale {
        let new = NewRefund {
            sale,
            lines,
            fate: ReturnDisposition::Shelf,
            shipping: Money::from_minor(shipping, later.order.shipping.currency()).stored("sale.shipping")?,
            tender: RefundTender::All(given_back::tender_of(&later.order.channel)),
            certificate: None,
            reason: format!("order {} was changed", later.order.number),
            who: later.who.to_owned(),
        };
        change::refund(tx, later.before, &new, at).await?;
    }
    Ok(())
}

/// Steps in the line's own unit, as a refund expects them.
async fn stock_units_asked(tx: &mut Tx, line: SaleLineId, stock_units: i64) -> Result<Asked, CommandError> {
    let row =
        sqlx::query("SELECT unit FROM sale_line WHERE id = $1").bind(line.raw()).fetch_one(tx.db()).await?;
    let measure = crate::books::figures::measure(&row.try_get::<String, _>("unit")?)?;
    let quantity = Quantity::from_stock_units(stock_units, measure).stored("sale_line.stock_units")?;
    Ok(Asked { value: quantity.value(), unit: None })
}

/// Removes waiting lines that changed. Returns what waits from now on.
async fn drop_waiting(tx: &mut Tx, items: &[Item]) -> Result<Vec<(i64, Share)>, CommandError> {
    let mut waiting = Vec::new();
    for item in items {
        if sum(item.waiting.iter().map(|line| line.share)) == item.plan.waits {
            continue;
        }
        let ended = change::end_holds(tx, &item.waiting, "ended").await?;
        let ended: Vec<Ended> = ended.into_iter().map(|(_, end)| end).collect();
        holds::free(tx, &ended).await?;
        for line in &item.waiting {
            stored_lines::drop_waiting(tx, line.id).await?;
        }
        if item.plan.waits.stock_units > 0 {
            waiting.push((item.item, item.plan.waits));
        }
    }
    Ok(waiting)
}

/// What a later state adds to an order.
struct Further<'a> {
    later: Later<'a>,
    shipping: i64,
    /// Lines that are new and out of stock.
    waiting: Vec<(i64, Share)>,
}

/// Sells what became more as a further sale of the order; each line is filled whole or is out of stock.
async fn sell(
    tx: &mut Tx,
    further: Further<'_>,
    items: &[Item],
    priced: &[Priced],
) -> Result<(), CommandError> {
    let Further { later, shipping, waiting } = further;
    let (before, order) = (later.before, later.order);
    let mut lines = Vec::new();
    let mut fills = Vec::new();
    // In the order of the items, so that two orders touch them in the same order.
    for item in items {
        let mut sold = Share::default();
        if let Some(again) = item.plan.again {
            if !take(tx, item.item, again.stock_units).await? {
                // It was returned to stock a moment ago in this same transaction.
                return Err(StorageError::impossible("stock that was just put back").into());
            }
            sold = again;
        }
        if let Some(more) = item.plan.more {
            if take(tx, item.item, more.stock_units).await? {
                sold = sold.plus(more);
            } else {
                lines.push(line(tx, priced, item.item, more)?);
                fills.push(Fill::Short);
            }
        }
        if sold.stock_units > 0 {
            lines.push(line(tx, priced, item.item, sold)?);
            fills.push(Fill::Filled);
        }
    }
    for (item, share) in waiting {
        lines.push(line(tx, priced, item, share)?);
        fills.push(Fill::Short);
    }
    let shipping = Money::from_minor(shipping, order.shipping.currency()).stored("shipping")?;
    let kind = match before.sale {
        None => SaleKind::First { shipping: live::waiting_shipping(tx, before.id, order.shipping).await? },
        Some(_) => SaleKind::Further { at: later.at(tx), shipping },
    };
    let of = SaleOf { id: before.id, order, kind, who: later.who };
    let sale_lines = live::sell(tx, of, &lines, &fills).await?.map(|(_, lines)| lines).unwrap_or_default();
    let first = stored_lines::next_position(tx, before.id).await?;
    live::write_lines(tx, before.id, &lines, &fills, &sale_lines, first).await
}

async fn take(tx: &mut Tx, item: i64, stock_units: i64) -> Result<bool, CommandError> {
    let take = Take { item: domain::ids::ItemId::from_raw(item), stock_units, from_hold: 0 };
    try_take(tx, &take, StockReason::Sold).await
}

/// A line for this much of an item, with the later state's name and price.
pub(super) fn line(tx: &Tx, priced: &[Priced], item: i64, share: Share) -> Result<Priced, CommandError> {
    let named = priced.iter().find(|line| line.item.id.raw() == item);
    let named = named.ok_or_else(|| StorageError::impossible("a line that the state does not name"))?;
    let found: Found = named.item.clone();
    let quantity = Quantity::from_stock_units(share.stock_units, found.measure)
        .stored("order_state_item.stock_units")?;
    let money = share.money(tx.shop().currency)?;
    Ok(Priced { item: found, for_item: None, quantity, price: named.price, money })
}
