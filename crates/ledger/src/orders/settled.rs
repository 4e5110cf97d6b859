//! Lines of an order that a person has decided about, when the online shop tells of the order again:
//! it goes on naming what was ordered, and knows nothing of what was sold in its place.

use super::Before;
use super::live::Priced;
use crate::command::Tx;
use crate::error::{Failure, Stored};
use crate::refusal::Refusal;
use domain::basket::LineMoney;
use domain::ids::{OrderId, OrderLineId, SaleId, SaleLineId};
use domain::order::{IncomingRefund, OrderStatus};
use sqlx::Row;

/// A line that was decided about.
pub(super) struct Settled {
    line: OrderLineId,
    item: i64,
    title: String,
    steps: i64,
    money: [i64; 3],
    /// What was sold instead; none if its money was given back.
    sold: Option<SoldInstead>,
}

/// What was sold for a line, on its own order or on one that follows it.
#[derive(Clone, Debug)]
pub(super) struct SoldInstead {
    pub(super) order: OrderId,
    pub(super) line: OrderLineId,
    pub(super) sale: SaleId,
    pub(super) sale_line: SaleLineId,
    item: i64,
    title: String,
    /// Still sold as it was: the line was not undone since.
    stands: bool,
    /// How much of it was not given back.
    left: i64,
}

/// What was decided about an order's lines.
pub(super) async fn of(tx: &mut Tx, order: OrderId) -> Result<Vec<Settled>, Failure> {
    let rows = sqlx::query(
        "SELECT l.id, l.item_id, l.title, l.steps, l.amount, l.discount, l.tax, n.id, n.order_id, o.sale_id, \
         n.sale_line_id, n.item_id, n.title, n.state, COALESCE(n.steps, 0) - COALESCE(b.steps, 0) \
         FROM line_choice c JOIN order_line l ON l.id = c.line_id LEFT JOIN order_line n ON n.id = c.new_line_id \
         LEFT JOIN customer_order o ON o.id = n.order_id LEFT JOIN line_back b ON b.sale_line_id = n.sale_line_id \
         WHERE c.order_id = $1 ORDER BY l.position",
    )
    .bind(order.raw())
    .fetch_all(tx.db())
    .await?;
    let read = |row: &sqlx::any::AnyRow| {
        let new: Option<i64> = row.try_get(7)?;
        let needed =
            |at: usize| row.try_get::<Option<i64>, _>(at)?.ok_or("missing").stored("line_choice.new_line_id");
        let sold = match new {
            None => None,
            Some(line) => Some(SoldInstead {
                line: OrderLineId::from_raw(line),
                order: OrderId::from_raw(needed(8)?),
                sale: SaleId::from_raw(needed(9)?),
                sale_line: SaleLineId::from_raw(needed(10)?),
                item: needed(11)?,
                title: row.try_get::<Option<String>, _>(12)?.unwrap_or_default(),
                stands: row.try_get::<Option<String>, _>(13)?.as_deref() == Some("filled"),
                left: row.try_get(14)?,
            }),
        };
        Ok(Settled {
            line: OrderLineId::from_raw(row.try_get(0)?),
            item: row.try_get::<Option<i64>, _>(1)?.unwrap_or(0),
            title: row.try_get(2)?,
            steps: row.try_get(3)?,
            money: [row.try_get(4)?, row.try_get(5)?, row.try_get(6)?],
            sold,
        })
    };
    rows.iter().map(read).collect()
}

fn minor(money: &LineMoney) -> [i64; 3] {
    [money.amount.minor(), money.discount.minor(), money.tax.minor()]
}

/// Takes out of an order's new lines those that were decided about and say what they said then.
/// Answers what was sold for lines that the new state has no more.
pub(super) fn keep(
    settled: &[Settled],
    new: &mut Vec<Priced>,
) -> Result<(Vec<OrderLineId>, Vec<SoldInstead>), Refusal> {
    let (mut kept, mut dropped) = (Vec::new(), Vec::new());
    for one in settled {
        let of_item = |p: &Priced, item: i64| p.item.id.raw() == item;
        let same = |p: &Priced| p.quantity.steps() == one.steps && minor(&p.money) == one.money;
        let Some(sold) = &one.sold else {
            // Its money went back. The shop may go on naming it, or have taken it out.
            if let Some(at) = new.iter().position(|p| of_item(p, one.item) && same(p)) {
                new.remove(at);
            }
            continue;
        };
        if !sold.stands {
            continue;
        }
        let at = new
            .iter()
            .position(|p| of_item(p, one.item) && same(p))
            .or_else(|| new.iter().position(|p| of_item(p, sold.item) && same(p)));
        if let Some(at) = at {
            new.remove(at);
            kept.push(sold.line);
        } else if new.iter().any(|p| of_item(p, one.item)) {
            let (was, is) = (&one.title, &sold.title);
            let reason = format!(
                "{was} was settled by a person (as {is}) and has changed since; book the difference by hand"
            );
            return Err(Refusal::invalid("orderQuantity", reason));
        } else {
            dropped.push(sold.clone());
        }
    }
    Ok((kept, dropped))
}

impl SoldInstead {
    /// Whether goods of it are left that were not given back.
    pub(super) fn is_left(&self) -> bool {
        self.left > 0
    }
}

/// Orders that follow an order, as they stand.
pub(super) async fn following(tx: &mut Tx, order: OrderId) -> Result<Vec<Before>, Failure> {
    let rows = sqlx::query(
        "SELECT channel, number, id, body_hash, status, past, modified_ms, sale_id, ordered_ms FROM customer_order \
         WHERE id IN (SELECT n.order_id FROM line_choice c JOIN order_line n ON n.id = c.new_line_id \
         WHERE c.order_id = $1 AND n.order_id <> $1) ORDER BY id",
    )
    .bind(order.raw())
    .fetch_all(tx.db())
    .await?;
    rows.iter().map(super::read_before).collect()
}

/// The orders that follow stand as the first one does, unless they are over.
pub(super) async fn stand_alike(tx: &mut Tx, order: OrderId, status: OrderStatus) -> Result<(), Failure> {
    sqlx::query(
        "UPDATE customer_order SET status = $2, revision = revision + 1 WHERE id IN \
         (SELECT n.order_id FROM line_choice c JOIN order_line n ON n.id = c.new_line_id \
          WHERE c.order_id = $1 AND n.order_id <> $1) AND status NOT IN ('OrderCancelled', 'OrderReturned')",
    )
    .bind(order.raw())
    .bind(status.code().to_owned())
    .execute(tx.db())
    .await?;
    Ok(())
}

/// Whether a refund that the online shop tells of is the one that a person gave here for a line that
/// was never sold. Each is known once; a second one is of something else.
pub(super) async fn is_known_refund(
    tx: &mut Tx,
    before: &Before,
    refund: &IncomingRefund,
    item: i64,
) -> Result<bool, Failure> {
    for one in of(tx, before.id).await?.iter().filter(|one| one.item == item && one.sold.is_none()) {
        let told =
            sqlx::query("UPDATE line_choice SET told_number = $2 WHERE line_id = $1 AND told_number IS NULL")
                .bind(one.line.raw())
                .bind(refund.number.to_string())
                .execute(tx.db())
                .await?;
        if told.rows_affected() == 1 {
            return Ok(true);
        }
    }
    Ok(false)
}

/// What was sold for a line of an item, and has something left to give back.
pub(super) async fn sold_instead(
    tx: &mut Tx,
    before: &Before,
    item: i64,
) -> Result<Option<(SaleId, SaleLineId)>, Failure> {
    let settled = of(tx, before.id).await?;
    let mut sold = settled.iter().filter(|one| one.item == item).filter_map(|one| one.sold.as_ref());
    Ok(sold.find(|sold| sold.left > 0).map(|sold| (sold.sale, sold.sale_line)))
}
