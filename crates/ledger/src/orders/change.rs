//! A later state of an order that is known: the difference is booked as new entries.

use super::live::{self, Fill, Priced};
use super::settled::{self, SoldInstead};
use super::{Before, body_hash, given_back};
use crate::command::Tx;
use crate::error::{Failure, Stored};
use crate::holds::{self, Ended};
use crate::refunds::{self, NewRefund, RefundLine, RefundTender};
use crate::refusal::Refusal;
use crate::stock::{Take, try_take};
use domain::day::Moment;
use domain::ids::{HoldId, OrderLineId, SaleId, SaleLineId};
use domain::money::Money;
use domain::order::{IncomingOrder, OrderStatus, Standing};
use domain::quantity::Asked;
use domain::stock::{Fate, Why};
use sqlx::Row;

/// A line of the order as it stands.
struct Stood {
    id: OrderLineId,
    item: i64,
    title: String,
    steps: i64,
    amount: i64,
    discount: i64,
    tax: i64,
    state: String,
    hold: Option<HoldId>,
    sale_line: Option<SaleLineId>,
    left: i64,
}

/// How an order stands after a change.
pub(super) struct After {
    /// Its sale, which its payment may have made.
    pub(super) sale: Option<SaleId>,
    /// Lines that wait for a person, since their stock is gone.
    pub(super) short: usize,
}

pub(super) async fn book(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    who: &str,
) -> Result<After, Failure> {
    let before = &locked(tx, before).await?;
    let stood = read(tx, before).await?;
    match (before.standing, order.status.standing()) {
        (Standing::Undone, Standing::Undone) => {}
        (Standing::Undone, _) => {
            let reason = format!(
                "order {} was cancelled or returned before; it cannot come back to life",
                order.number
            );
            return Err(Refusal::invalid("orderStatus", reason).into());
        }
        (Standing::Sold, Standing::Unpaid) => {
            let reason = format!("order {} was paid before; it cannot become unpaid", order.number);
            return Err(Refusal::invalid("orderStatus", reason).into());
        }
        (_, Standing::Undone) => {
            undo(tx, before, order, &stood, who).await?;
            for next in settled::following(tx, before.id).await? {
                let stood = read(tx, &next).await?;
                undo(tx, &next, order, &stood, who).await?;
            }
        }
        (Standing::Unpaid, Standing::Sold) => pay(tx, before, order, &stood, who).await?,
        (Standing::Unpaid, Standing::Unpaid) => {
            free_holds(tx, &stood, "ended").await?;
            refill(tx, before, order).await?;
        }
        (Standing::Sold, Standing::Sold) => adjust(tx, before, order, &stood, who).await?,
    }
    let sale = write_state(tx, before, order).await?;
    settled::stand_alike(tx, before.id, order.status).await?;
    let short = read(tx, before).await?.iter().filter(|line| line.state == "short").count();
    Ok(After { sale, short })
}

/// Locks the order's row before anything else, as a person's choice about a line does: what either
/// reads next stays so until it ends. Its sale may have been made since it was looked up.
async fn locked(tx: &mut Tx, before: &Before) -> Result<Before, Failure> {
    let row = sqlx::query(
        "UPDATE customer_order SET revision = revision + 1 WHERE id = $1 AND body_hash = $2 RETURNING sale_id",
    )
    .bind(before.id.raw())
    .bind(before.body_hash.clone())
    .fetch_optional(tx.db())
    .await?
    .ok_or(crate::trouble::Trouble::Collided(sqlx::Error::RowNotFound))?;
    let sale = row.try_get::<Option<i64>, _>(0)?.map(SaleId::from_raw);
    Ok(Before { sale, ..before.clone() })
}

async fn write_state(tx: &mut Tx, before: &Before, order: &IncomingOrder) -> Result<Option<SaleId>, Failure> {
    // The later state wins also where two processes book two states at once.
    let row = sqlx::query(
        "UPDATE customer_order SET body_hash = $2, status = $3, modified_ms = $4, \
         discount = $5, shipping = $6, fee = $7, ordered_ms = $9 WHERE id = $1 AND body_hash = $8 RETURNING sale_id",
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
    .fetch_optional(tx.db())
    .await?
    .ok_or(crate::trouble::Trouble::Collided(sqlx::Error::RowNotFound))?;
    Ok(row.try_get::<Option<i64>, _>(0)?.map(SaleId::from_raw))
}

async fn read(tx: &mut Tx, before: &Before) -> Result<Vec<Stood>, Failure> {
    let rows = sqlx::query(
        "SELECT o.id, o.item_id, o.title, o.steps, o.amount, o.discount, o.tax, o.state, o.hold_id, o.sale_line_id, \
         o.steps - COALESCE(b.steps, 0) FROM order_line o LEFT JOIN line_back b ON b.sale_line_id = o.sale_line_id \
         WHERE o.order_id = $1 ORDER BY o.position",
    )
    .bind(before.id.raw())
    .fetch_all(tx.db())
    .await?;
    let line = |row: &sqlx::any::AnyRow| {
        Ok(Stood {
            id: OrderLineId::from_raw(row.try_get(0)?),
            item: row.try_get::<Option<i64>, _>(1)?.unwrap_or(0),
            title: row.try_get(2)?,
            steps: row.try_get(3)?,
            amount: row.try_get(4)?,
            discount: row.try_get(5)?,
            tax: row.try_get(6)?,
            state: row.try_get(7)?,
            hold: row.try_get::<Option<i64>, _>(8)?.map(HoldId::from_raw),
            sale_line: row.try_get::<Option<i64>, _>(9)?.map(SaleLineId::from_raw),
            left: row.try_get(10)?,
        })
    };
    rows.iter().map(line).collect()
}

async fn set_state(tx: &mut Tx, line: OrderLineId, state: &'static str) -> Result<(), Failure> {
    sqlx::query("UPDATE order_line SET state = $2 WHERE id = $1")
        .bind(line.raw())
        .bind(state.to_owned())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Ends the holds of the lines that have one. Answers what was held; only who ended a hold's row
/// may use or free its stock.
async fn end_holds(
    tx: &mut Tx,
    stood: &[Stood],
    state: &'static str,
) -> Result<Vec<(usize, Ended)>, Failure> {
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

async fn free_holds(tx: &mut Tx, stood: &[Stood], state: &'static str) -> Result<(), Failure> {
    let ended: Vec<Ended> = end_holds(tx, stood, state).await?.into_iter().map(|(_, end)| end).collect();
    for line in stood.iter().filter(|l| l.state != "filled") {
        set_state(tx, line.id, "undone").await?;
    }
    holds::free(tx, &ended).await
}

/// Cancelled: what was set aside is free, what was sold is refunded and back on the shelf. Returned:
/// the goods are on their way; they are on the shelf when a person says so.
async fn undo(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    stood: &[Stood],
    who: &str,
) -> Result<(), Failure> {
    free_holds(tx, stood, "ended").await?;
    let Some(sale) = before.sale else { return Ok(()) };
    if !is_anything_left(tx, sale).await? {
        return Ok(());
    }
    let on_shelf = order.status == OrderStatus::OrderCancelled && !before.past;
    let fate = if on_shelf { Fate::Shelf } else { Fate::Open };
    let currency = tx.shop().currency;
    let new = NewRefund {
        sale,
        lines: Vec::new(),
        fate,
        shipping: Money::zero(currency),
        tender: RefundTender::All(given_back::tender_of(&order.channel)),
        reason: format!("order {}: {}", order.number, order.status),
        who: who.to_owned(),
    };
    let at = order.modified.unwrap_or(tx.now());
    refunds::of_order(tx, &new, at).await?;
    for line in stood.iter().filter(|l| l.state == "filled") {
        set_state(tx, line.id, "undone").await?;
    }
    Ok(())
}

/// Whether goods or shipping of a sale were not given back yet.
async fn is_anything_left(tx: &mut Tx, sale: SaleId) -> Result<bool, Failure> {
    let row = sqlx::query(
        "SELECT s.shipping - COALESCE(b.shipping, 0), CAST((SELECT COALESCE(SUM(l.steps - COALESCE(k.steps, 0)), 0) \
         FROM sale_line l LEFT JOIN line_back k ON k.sale_line_id = l.id WHERE l.sale_id = s.id) AS BIGINT) \
         FROM sale s LEFT JOIN sale_back b ON b.sale_id = s.id WHERE s.id = $1",
    )
    .bind(sale.raw())
    .fetch_one(tx.db())
    .await?;
    Ok(row.try_get::<i64, _>(0)? > 0 || row.try_get::<i64, _>(1)? > 0)
}

/// An unpaid order was paid: what was set aside is sold. Its lines may have changed meanwhile, so
/// the old ones are done with and the new ones are filled, from the holds first.
async fn pay(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    stood: &[Stood],
    who: &str,
) -> Result<(), Failure> {
    let priced = live::price(tx, order).await?;
    let ended = end_holds(tx, stood, "taken").await?;
    for line in stood {
        set_state(tx, line.id, "undone").await?;
    }
    let mut fills = vec![Fill::Short; priced.len()];
    let mut unused: Vec<Ended> = ended.into_iter().map(|(_, end)| end).collect();
    let mut by_item: Vec<usize> = (0..priced.len()).collect();
    by_item.sort_by_key(|at| priced[*at].item.id);
    for at in by_item {
        let (item, steps) = (priced[at].item.id, priced[at].quantity.steps());
        // All that was held of the item, be it more or less than this line: the rest is free again.
        let from_hold = unused.iter().filter(|end| end.item == item).map(|end| end.steps).sum();
        if try_take(tx, &Take { item, steps, from_hold }, Why::Sold).await? {
            unused.retain(|end| end.item != item);
            fills[at] = Fill::Filled;
        }
    }
    holds::free(tx, &unused).await?;
    let sold = live::sell(tx, before.id, order, &priced, &fills, who).await?;
    let sale_lines = sold.map(|(_, lines)| lines).unwrap_or_default();
    let first = i64::try_from(stood.len()).unwrap_or(i64::MAX - 1) + 1;
    live::write_lines(tx, before.id, &priced, &fills, &sale_lines, first).await
}

async fn refill(tx: &mut Tx, before: &Before, order: &IncomingOrder) -> Result<(), Failure> {
    let priced = live::price(tx, order).await?;
    let fills = live::fill(tx, order, &priced, Standing::Unpaid).await?;
    let row = sqlx::query("SELECT CAST(COUNT(*) AS BIGINT) FROM order_line WHERE order_id = $1")
        .bind(before.id.raw())
        .fetch_one(tx.db())
        .await?;
    live::write_lines(tx, before.id, &priced, &fills, &[], row.try_get::<i64, _>(0)? + 1).await
}

/// A paid order with other lines. Less of a line, or none of it, is refunded and back on the shelf.
/// More of it cannot join a sale that stands, so it is set aside, or short, and waits for a person.
async fn adjust(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    stood: &[Stood],
    who: &str,
) -> Result<(), Failure> {
    if before.past {
        let reason = "only cancelling, returning and refunding change a past order; mend its lines by hand";
        return Err(Refusal::invalid("orderNumber", reason).into());
    }
    let mut new = live::price(tx, order).await?;
    let settled = settled::of(tx, before.id).await?;
    let (kept, dropped) = settled::keep(&settled, &mut new)?;
    if before.sale.is_none() {
        return start_over(tx, before, order, stood, &new, who).await;
    }
    drop_following(tx, before, order, &dropped, who).await?;
    let mut less = Vec::new();
    for (line, wanted) in pair(stood, &kept, &mut new) {
        let Some(wanted) = wanted else {
            less.push((line, line.left));
            continue;
        };
        let (steps, same_money) = (wanted.quantity.steps(), same_money(line, &wanted));
        if steps == line.steps && same_money {
            continue;
        }
        if line.sale_line.is_none() {
            // It only waits: what it waits for now is a line of its own.
            less.push((line, line.left));
            new.push(wanted);
        } else if steps > line.steps {
            let reason = format!(
                "more of {} cannot join a sale that stands; the shop should send a new order",
                line.title
            );
            return Err(Refusal::invalid("orderQuantity", reason).into());
        } else if steps < line.steps {
            let gone = line.steps - line.left;
            less.push((line, line.steps - steps - gone.min(line.steps - steps)));
        } else {
            let reason = format!(
                "the price of {} changed after it was sold; refund the difference by hand",
                line.title
            );
            return Err(Refusal::invalid("price", reason).into());
        }
    }
    give_back_less(tx, before, order, &less, who).await?;
    add_lines(tx, before, order, &new, stood.len()).await
}

/// Which of the new lines each standing one became, if any: those that are the same first, so that
/// a changed line takes no other's, and what was sold before what waits. The rest stays in `new`.
fn pair<'a>(
    stood: &'a [Stood],
    kept: &[OrderLineId],
    new: &mut Vec<Priced>,
) -> Vec<(&'a Stood, Option<Priced>)> {
    let stands = stood
        .iter()
        .filter(|l| ["filled", "short", "held"].contains(&l.state.as_str()) && !kept.contains(&l.id));
    let mut pairs: Vec<(&Stood, Option<Priced>)> = stands.map(|line| (line, None)).collect();
    pairs.sort_by_key(|(line, _)| line.sale_line.is_none());
    for whole in [true, false] {
        for (line, wanted) in pairs.iter_mut().filter(|(_, wanted)| wanted.is_none()) {
            let same = |p: &Priced| p.quantity.steps() == line.steps && same_money(line, p);
            let at = new.iter().position(|p| p.item.id.raw() == line.item && (!whole || same(p)));
            *wanted = at.map(|at| new.remove(at));
        }
    }
    pairs
}

/// Lines that the order has no more, and for which something was sold on an order that follows: that
/// is refunded and back on the shelf. What was sold on the order itself is a line like any other.
async fn drop_following(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    dropped: &[SoldInstead],
    who: &str,
) -> Result<(), Failure> {
    for sold in dropped.iter().filter(|sold| sold.order != before.id) {
        if sold.is_left() {
            let new = NewRefund {
                sale: sold.sale,
                lines: vec![RefundLine { line: sold.sale_line, quantity: None, fate: Fate::Shelf }],
                fate: Fate::Shelf,
                shipping: Money::zero(order.shipping.currency()),
                tender: RefundTender::All(given_back::tender_of(&order.channel)),
                reason: format!("order {} was changed", order.number),
                who: who.to_owned(),
            };
            let at = order.modified.unwrap_or(tx.now());
            refunds::of_order(tx, &new, at).await?;
        }
        set_state(tx, sold.line, "undone").await?;
    }
    Ok(())
}

fn same_money(line: &Stood, wanted: &Priced) -> bool {
    let money = &wanted.money;
    (line.amount, line.discount, line.tax)
        == (money.amount.minor(), money.discount.minor(), money.tax.minor())
}

/// An order of which nothing could be filled: its new lines are filled as if it came new.
async fn start_over(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    stood: &[Stood],
    priced: &[Priced],
    who: &str,
) -> Result<(), Failure> {
    free_holds(tx, stood, "ended").await?;
    let fills = live::fill(tx, order, priced, Standing::Sold).await?;
    let sold = live::sell(tx, before.id, order, priced, &fills, who).await?;
    let sale_lines = sold.map(|(_, lines)| lines).unwrap_or_default();
    let first = i64::try_from(stood.len()).unwrap_or(i64::MAX - 1) + 1;
    live::write_lines(tx, before.id, priced, &fills, &sale_lines, first).await
}

async fn give_back_less(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    less: &[(&Stood, i64)],
    who: &str,
) -> Result<(), Failure> {
    let mut lines = Vec::new();
    for (line, steps) in less {
        match (line.sale_line, *steps) {
            (Some(sale_line), steps) if steps > 0 => {
                lines.push(RefundLine {
                    line: sale_line,
                    quantity: Some(steps_asked(tx, sale_line, steps).await?),
                    fate: Fate::Shelf,
                });
            }
            (Some(_), _) => {}
            (None, _) => free_holds(tx, std::slice::from_ref(*line), "ended").await?,
        }
        if line.sale_line.is_none() || line.left == *steps {
            set_state(tx, line.id, "undone").await?;
        }
    }
    let Some(sale) = before.sale else { return Ok(()) };
    let shipping = less_shipping(tx, sale, order).await?;
    if lines.is_empty() && shipping.is_zero() {
        return Ok(());
    }
    let new = NewRefund {
        sale,
        lines,
        fate: Fate::Shelf,
        shipping,
        tender: RefundTender::All(given_back::tender_of(&order.channel)),
        reason: format!("order {} was changed", order.number),
        who: who.to_owned(),
    };
    let at = order.modified.unwrap_or(tx.now());
    refunds::of_order(tx, &new, at).await?;
    Ok(())
}

/// What is to be given back of the shipping, so that no more of it is kept than the order says.
async fn less_shipping(tx: &mut Tx, sale: SaleId, order: &IncomingOrder) -> Result<Money, Failure> {
    let row = sqlx::query(
        "SELECT s.shipping, s.shipping - COALESCE(b.shipping, 0) FROM sale s LEFT JOIN sale_back b ON b.sale_id = s.id \
         WHERE s.id = $1",
    )
    .bind(sale.raw())
    .fetch_one(tx.db())
    .await?;
    let (sold, left): (i64, i64) = (row.try_get(0)?, row.try_get(1)?);
    let now = order.shipping.minor();
    if now > sold {
        let reason = format!(
            "the shipping of order {} went up after it was sold; charge the difference by hand",
            order.number
        );
        return Err(Refusal::invalid("shipping", reason).into());
    }
    Money::from_minor((left - now).max(0), order.shipping.currency()).stored("sale.shipping")
}

/// Steps as a refund asks for them: in the line's own unit.
async fn steps_asked(tx: &mut Tx, line: SaleLineId, steps: i64) -> Result<Asked, Failure> {
    let row =
        sqlx::query("SELECT kind, steps, unit, amount, discount, tax, cost FROM sale_line WHERE id = $1")
            .bind(line.raw())
            .fetch_one(tx.db())
            .await?;
    let currency = tx.shop().currency;
    let book = crate::entries::book_line(&row, 0, currency)?;
    let quantity =
        domain::quantity::Quantity::from_steps(steps, book.quantity.measure()).stored("sale_line.steps")?;
    Ok(Asked { value: quantity.value(), unit: None })
}

async fn add_lines(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    new: &[Priced],
    stood: usize,
) -> Result<(), Failure> {
    if new.is_empty() {
        return Ok(());
    }
    let fills = live::fill(tx, order, new, Standing::Unpaid).await?;
    let first = i64::try_from(stood).unwrap_or(i64::MAX - 1) + 1;
    live::write_lines(tx, before.id, new, &fills, &[], first).await
}
