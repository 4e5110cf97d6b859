//! A later state of a known order: the difference is booked as new entries.

use super::stored_lines::{self, StoredOrderLine, set_state};
use super::{ExistingOrder, adjust, body_hash, fees, given_back, said, unpaid};
use crate::sales::refunds::{self, NewRefund, RefundTender};
use crate::shelf::holds::{self, Ended};
use crate::shelf::stock;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{OrdersReason, Rejection};
use domain::day::Moment;
use domain::ids::{ItemId, SaleId};
use domain::money::Money;
use domain::order::{IncomingOrder, OrderStatus, Standing};
use domain::stock::ReturnDisposition;
use sqlx::Row;
use std::collections::BTreeSet;

/// An order after a change.
pub(super) struct After {
    /// Its first sale, which its payment may have created.
    pub(super) sale: Option<SaleId>,
    /// Lines that are out of stock and wait for a decision.
    pub(super) short: usize,
}

/// A later state of an order whose row is locked.
#[derive(Clone, Copy)]
pub(super) struct Later<'a> {
    pub(super) before: &'a ExistingOrder,
    pub(super) order: &'a IncomingOrder,
    pub(super) who: &'a str,
    /// The shipping in the state before, if it counts: none while nothing is sold.
    pub(super) shipping: i64,
}

impl Later<'_> {
    /// The time of what it books.
    pub(super) fn at(&self, tx: &Tx) -> Moment {
        self.order.modified.unwrap_or(tx.now())
    }
}

pub(super) async fn book(
    tx: &mut Tx,
    before: &ExistingOrder,
    order: &IncomingOrder,
    who: &str,
) -> Result<After, CommandError> {
    let (before, shipping) = &locked(tx, before).await?;
    let shipping = if before.standing == Standing::Sold { *shipping } else { 0 };
    let later = Later { before, order, who, shipping };
    let (was, is) = (before.standing, order.status.standing());
    if before.past && is != Standing::Undone {
        return Err(Rejection::invalid("orderNumber", OrdersReason::PastOrder).into());
    }
    match (was, is) {
        (Standing::Undone, Standing::Undone) => {}
        (_, Standing::Undone) => undo(tx, later).await?,
        (Standing::Unpaid, Standing::Sold) => unpaid::pay(tx, later).await?,
        // Whatever was canceled is sold again, as far as stock allows.
        (Standing::Sold | Standing::Undone, Standing::Sold) => adjust::book(tx, later).await?,
        (Standing::Sold, Standing::Unpaid) => {
            undo(tx, later).await?;
            unpaid::adjust(tx, later).await?;
        }
        (Standing::Unpaid | Standing::Undone, Standing::Unpaid) => unpaid::adjust(tx, later).await?,
    }
    // A state without lines says nothing about money.
    if !order.lines.is_empty() {
        fees::change(tx, before, order, who).await?;
    }
    let sale = write_state(tx, later).await?;
    let short = stored_lines::read(tx, before.id).await?.iter().filter(|line| line.state == "short").count();
    Ok(After { sale, short })
}

/// Locks the order's row before anything else, as a decision about a line does: what either reads next
/// stays so until it ends. Its sale may have been created since it was looked up.
async fn locked(tx: &mut Tx, before: &ExistingOrder) -> Result<(ExistingOrder, i64), CommandError> {
    let row = sqlx::query(
        "UPDATE customer_order SET revision = revision + 1 WHERE id = $1 AND body_hash = $2 \
         RETURNING sale_id, shipping, modified_ms",
    )
    .bind(before.id.raw())
    .bind(before.body_hash.clone())
    .fetch_optional(tx.db())
    .await?
    .ok_or(crate::store::storage_error::StorageError::Collided(sqlx::Error::RowNotFound))?;
    // The known contents came with a later time in between, so which state is later is decided
    // again.
    if row.try_get::<Option<i64>, _>("modified_ms")?.map(Moment::from_millis) != before.modified {
        return Err(crate::store::storage_error::StorageError::Collided(sqlx::Error::RowNotFound).into());
    }
    let sale = row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw);
    Ok((ExistingOrder { sale, ..before.clone() }, row.try_get("shipping")?))
}

async fn write_state(tx: &mut Tx, later: Later<'_>) -> Result<Option<SaleId>, CommandError> {
    let Later { before, order, .. } = later;
    // A state without lines means that the order is over, and keeps what was said about it.
    let says_money = i64::from(!order.lines.is_empty());
    // The later state also wins if two processes book two states at once.
    let row = sqlx::query(
        "UPDATE customer_order SET body_hash = $2, status = $3, modified_ms = $4, \
         discount = CASE WHEN $10 = 1 THEN $5 ELSE discount END, \
         shipping = CASE WHEN $10 = 1 THEN $6 ELSE shipping END, \
         fee = CASE WHEN $10 = 1 THEN $7 ELSE fee END, ordered_ms = $9, status_by = '' \
         WHERE id = $1 AND body_hash = $8 RETURNING sale_id",
    )
    .bind(before.id.raw())
    .bind(body_hash(order)?)
    .bind(order.status.code().to_owned())
    .bind(order.modified.or(before.modified).map(Moment::millis))
    .bind(order.discount.minor())
    .bind(order.shipping.minor())
    .bind(order.fee.minor())
    .bind(before.body_hash.clone())
    .bind(order.ordered.millis())
    .bind(says_money)
    .fetch_optional(tx.db())
    .await?
    .ok_or(crate::store::storage_error::StorageError::Collided(sqlx::Error::RowNotFound))?;
    Ok(row.try_get::<Option<i64>, _>("sale_id")?.map(SaleId::from_raw))
}

/// Ends the holds of lines that have one. Returns what was held: only whoever ended a hold's row may
/// use or release its stock.
pub(super) async fn end_holds(
    tx: &mut Tx,
    stood: &[StoredOrderLine],
    state: &'static str,
) -> Result<Vec<(usize, Ended)>, CommandError> {
    let mut ended = Vec::new();
    for (at, line) in stood.iter().enumerate() {
        if let Some(hold) = line.hold.filter(|_| line.state == "held")
            && let Some(end) = holds::end_one(tx, hold, state).await?
        {
            ended.push((at, end));
        }
    }
    ended.sort_by_key(|(_, end)| end.item);
    Ok(ended)
}

/// Canceled, or not paid after all: holds are released, and what was sold is refunded and returned to
/// stock. Returned: the goods are on their way, and go to stock when somebody says so.
async fn undo(tx: &mut Tx, later: Later<'_>) -> Result<(), CommandError> {
    let Later { before, order, who, .. } = later;
    let stood = stored_lines::read(tx, before.id).await?;
    take_rows(tx, stood.iter().map(|line| line.item).collect()).await?;
    let ended: Vec<Ended> = end_holds(tx, &stood, "ended").await?.into_iter().map(|(_, end)| end).collect();
    for line in &stood {
        set_state(tx, line.id, "undone").await?;
    }
    holds::free(tx, &ended).await?;
    said::replace(tx, before.id, &said::Said::new()).await?;
    let on_shelf = order.status != OrderStatus::OrderReturned && !before.past;
    let fate = if on_shelf { ReturnDisposition::Shelf } else { ReturnDisposition::Open };
    let at = later.at(tx);
    for sale in with_something_left(tx, before).await? {
        let new = NewRefund {
            sale,
            lines: Vec::new(),
            fate,
            shipping: Money::zero(order.shipping.currency()),
            tender: RefundTender::All(given_back::tender_of(&order.channel)),
            certificate: None,
            reason: format!("order {}: {}", order.number, order.status),
            who: who.to_owned(),
        };
        refund(tx, before, &new, at).await?;
    }
    Ok(())
}

/// Locks the items' rows in order, before refunds and sales that book separately. A sale at the counter
/// has an item locked while it waits for the books, so nobody may wait for an item with the books
/// locked.
pub(super) async fn take_rows(tx: &mut Tx, items: BTreeSet<i64>) -> Result<(), CommandError> {
    let items: Vec<ItemId> = items.into_iter().map(ItemId::from_raw).collect();
    stock::lock(tx, &items).await
}

/// A refund that a state of the order causes, and that counts as the state's own.
pub(super) async fn refund(
    tx: &mut Tx,
    before: &ExistingOrder,
    new: &NewRefund,
    at: Moment,
) -> Result<(), CommandError> {
    let done = refunds::of_order(tx, new, at).await?;
    sqlx::query("INSERT INTO order_change (refund_id, order_id) VALUES ($1, $2)")
        .bind(done.id.raw())
        .bind(before.id.raw())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// The order's sales with goods or shipping that were not refunded yet.
async fn with_something_left(tx: &mut Tx, before: &ExistingOrder) -> Result<Vec<SaleId>, CommandError> {
    let rows = sqlx::query(
        "SELECT s.id, s.shipping - COALESCE(b.shipping, 0) AS shipping_left, CAST((SELECT COALESCE(SUM(l.stock_units - COALESCE(k.stock_units, 0)), 0) \
         FROM sale_line l LEFT JOIN line_refunded k ON k.sale_line_id = l.id WHERE l.sale_id = s.id) AS BIGINT) AS stock_units_left \
         FROM sale s LEFT JOIN sale_refunded b ON b.sale_id = s.id WHERE s.order_id = $1 ORDER BY s.id",
    )
    .bind(before.id.raw())
    .fetch_all(tx.db())
    .await?;
    let mut left = Vec::new();
    for row in &rows {
        if row.try_get::<i64, _>("shipping_left")? > 0 || row.try_get::<i64, _>("stock_units_left")? > 0 {
            left.push(SaleId::from_raw(row.try_get("id")?));
        }
    }
    Ok(left)
}
