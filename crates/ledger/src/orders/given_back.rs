//! An order's own refunds: rows of negative quantity, each booked once by its number. Nothing goes
//! back on the shelf until a person says so.

use super::{Before, decide, live};
use crate::sales::refunds::{self, NewRefund, RefundLine, RefundTender};
use crate::store::command::Tx;
use crate::store::error::{Failure, Naming, Stored};
use crate::store::rejection::Refusal;
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::codes::Code;
use domain::ids::{OrderLineId, RefundId, SaleId, SaleLineId};
use domain::money::Money;
use domain::order::{IncomingOrder, IncomingRefund, Standing};
use domain::quantity::{Asked, Measure, Quantity};
use domain::stock::Fate;
use sqlx::Row;

/// Books the refunds that were not booked before; answers how many.
pub(super) async fn book(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    who: &str,
) -> Result<usize, Failure> {
    // An order that comes whole and was never sold has nothing to give back, each time it comes.
    let never_sold = before.sale.is_none() && before.standing != Standing::Sold;
    if never_sold && !order.lines.is_empty() {
        return Ok(0);
    }
    let mut booked = 0;
    for refund in &order.refunds {
        let claimed = sqlx::query(
            "INSERT INTO order_refund (order_id, number, refund_id, at_ms) VALUES ($1, $2, NULL, $3) ON CONFLICT DO NOTHING",
        )
        .bind(before.id.raw())
        .bind(refund.number.to_string())
        .bind(tx.now().millis())
        .execute(tx.db())
        .await?;
        if claimed.rows_affected() == 0 {
            continue;
        }
        let made = one(tx, before, order, refund, who).await?;
        note_refunds(tx, before, refund, &made).await?;
        booked += 1;
    }
    Ok(booked)
}

/// Which refunds a number stands for. More than one, where it was given back of several sales, stand
/// under numbers that no shop can give.
async fn note_refunds(
    tx: &mut Tx,
    before: &Before,
    refund: &IncomingRefund,
    made: &[RefundId],
) -> Result<(), Failure> {
    let Some((first, others)) = made.split_first() else { return Ok(()) };
    sqlx::query("UPDATE order_refund SET refund_id = $3 WHERE order_id = $1 AND number = $2")
        .bind(before.id.raw())
        .bind(refund.number.to_string())
        .bind(first.raw())
        .execute(tx.db())
        .await?;
    for (count, id) in (2..).zip(others) {
        sqlx::query("INSERT INTO order_refund (order_id, number, refund_id, at_ms) VALUES ($1, $2, $3, $4)")
            .bind(before.id.raw())
            .bind(format!("{}\u{1f}{count}", refund.number))
            .bind(id.raw())
            .bind(tx.now().millis())
            .execute(tx.db())
            .await?;
    }
    Ok(())
}

async fn one(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    refund: &IncomingRefund,
    who: &str,
) -> Result<Vec<RefundId>, Failure> {
    let item = item_of(tx, refund.code.as_ref()).await?;
    if end_short_line(tx, before, refund, item).await? {
        return Ok(Vec::new());
    }
    if let Some(item) = item
        && is_known_refund(tx, before, refund, item).await?
    {
        return Ok(Vec::new());
    }
    // A past refund belongs to its past day; a live one to now, unless the feed says when.
    let at = order.modified.unwrap_or(if before.past { order.ordered } else { tx.now() });
    let mut made = Vec::new();
    for (sale, lines) in parts(tx, before, order, refund, item).await? {
        let new = NewRefund {
            sale,
            lines,
            fate: Fate::Open,
            shipping: Money::zero(tx.shop().currency),
            tender: RefundTender::All(tender_of(&order.channel)),
            reason: format!("refund {} of order {}", refund.number, order.number),
            who: who.to_owned(),
        };
        made.push(refunds::of_order(tx, &new, at).await?.id);
    }
    Ok(made)
}

/// What is given back of each of the order's sales: of the first line that has it all, else of several.
async fn parts(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    refund: &IncomingRefund,
    item: Option<i64>,
) -> Result<Vec<(SaleId, Vec<RefundLine>)>, Failure> {
    if before.sale.is_none() {
        let reason = format!("nothing of order {} was sold, so nothing is given back", order.number);
        return Err(Refusal::invalid("orderQuantity", reason).into());
    }
    let lines = sold_lines(tx, before, refund, item).await?;
    let Some(first) = lines.first() else {
        let what = refund.code.as_ref().map_or_else(|| refund.name.clone(), ToString::to_string);
        let reason = format!("the order has no filled line of {what}, so nothing of it is given back");
        return Err(Refusal::invalid("sku", reason).into());
    };
    let asked = Quantity::resolve_ordered(refund.quantity, first.measure).field("orderQuantity")?;
    let shown = |steps| Quantity::from_steps(steps, first.measure).map(|q| q.to_string()).unwrap_or_default();
    let left: i64 = lines.iter().map(|line| line.left).sum();
    if asked.steps() > left {
        let (asked, left) = (asked.to_string(), shown(left));
        return Err(Refusal::MoreThanSold { title: first.title.clone(), asked, left }.into());
    }
    let whole = lines.iter().filter(|line| line.left >= asked.steps()).take(1);
    let whole: Vec<&SoldLine> = whole.collect();
    let from: Vec<&SoldLine> = if whole.is_empty() { lines.iter().collect() } else { whole };
    let mut open = asked.steps();
    let mut parts: Vec<(SaleId, Vec<RefundLine>)> = Vec::new();
    for line in from {
        let steps = open.min(line.left);
        if steps == 0 {
            continue;
        }
        open -= steps;
        let value = Quantity::from_steps(steps, line.measure).stored("sale_line.steps")?.value();
        let quantity = Some(Asked { value, unit: None });
        let back = RefundLine { line: line.line, quantity, fate: Fate::Open };
        match parts.last_mut() {
            Some((sale, lines)) if *sale == line.sale => lines.push(back),
            _ => parts.push((line.sale, vec![back])),
        }
    }
    Ok(parts)
}

/// Whether a refund that the online shop tells of is the one that a person gave here for a line that
/// was never sold. Each is known once; a second one is of something else.
async fn is_known_refund(
    tx: &mut Tx,
    before: &Before,
    refund: &IncomingRefund,
    item: i64,
) -> Result<bool, Failure> {
    let told = sqlx::query(
        "UPDATE line_choice SET told_number = $2 WHERE told_number IS NULL AND line_id = \
         (SELECT c.line_id FROM line_choice c JOIN order_line l ON l.id = c.line_id \
          WHERE c.order_id = $1 AND c.choice = 'refunded' AND c.told_number IS NULL AND l.item_id = $3 \
          ORDER BY c.line_id LIMIT 1)",
    )
    .bind(before.id.raw())
    .bind(refund.number.to_string())
    .bind(item)
    .execute(tx.db())
    .await?;
    Ok(told.rows_affected() == 1)
}

/// How money of a channel's order goes back.
pub(super) fn tender_of(channel: &Channel) -> TenderKind {
    if *channel == Channel::online() { TenderKind::Online } else { TenderKind::Other }
}

/// A line that was never filled is simply done with: its money was never in the books. A part of one is
/// refused: done with, the rest would be forgotten, which is paid for and waits for a person.
async fn end_short_line(
    tx: &mut Tx,
    before: &Before,
    refund: &IncomingRefund,
    wanted: Option<i64>,
) -> Result<bool, Failure> {
    let rows = sqlx::query(
        "SELECT id, code, steps, unit FROM order_line WHERE order_id = $1 AND state = 'short' ORDER BY position",
    )
    .bind(before.id.raw())
    .fetch_all(tx.db())
    .await?;
    for row in rows {
        let id = OrderLineId::from_raw(row.try_get(0)?);
        let code = Code::parse(&row.try_get::<String, _>(1)?).stored("order_line.code")?;
        if item_of(tx, Some(&code)).await? != wanted || wanted.is_none() {
            continue;
        }
        let measure = decide::measure(&row.try_get::<String, _>(3)?)?;
        let given_back = Quantity::resolve_ordered(refund.quantity, measure).field("orderQuantity")?;
        if given_back.steps() < row.try_get(2)? {
            let reason = format!(
                "{code} waits, and a part of what waits is not given back by itself; \
                 choose for the whole line in the Online room, then take this in again"
            );
            return Err(Refusal::invalid("orderQuantity", reason).into());
        }
        let done = sqlx::query("UPDATE order_line SET state = 'undone' WHERE id = $1 AND state = 'short'")
            .bind(id.raw())
            .execute(tx.db())
            .await?;
        if done.rows_affected() == 1 {
            return Ok(true);
        }
    }
    Ok(false)
}

async fn item_of(tx: &mut Tx, code: Option<&Code>) -> Result<Option<i64>, Failure> {
    let Some(code) = code else { return Ok(None) };
    let row = sqlx::query("SELECT item_id FROM code WHERE code = $1")
        .bind(code.key())
        .fetch_optional(tx.db())
        .await?;
    row.map(|row| Ok(row.try_get(0)?)).transpose()
}

/// A line of one of the order's sales.
struct SoldLine {
    sale: SaleId,
    line: SaleLineId,
    title: String,
    measure: Measure,
    left: i64,
}

/// The lines of the same code (by item, if it is one of this shop), or of the same name; what a person
/// had sold for a line that waited is a line of what was ordered.
async fn sold_lines(
    tx: &mut Tx,
    before: &Before,
    refund: &IncomingRefund,
    item: Option<i64>,
) -> Result<Vec<SoldLine>, Failure> {
    let key = live::code_key(refund.code.as_ref());
    let rows = sqlx::query(
        "SELECT s.id, l.id, l.title, l.unit, l.steps - COALESCE(b.steps, 0), l.code, l.item_id, n.for_item_id \
         FROM sale s JOIN sale_line l ON l.sale_id = s.id LEFT JOIN line_back b ON b.sale_line_id = l.id \
         LEFT JOIN order_line n ON n.order_id = s.order_id AND n.sale_line_id = l.id \
         WHERE s.order_id = $1 ORDER BY s.id, l.position",
    )
    .bind(before.id.raw())
    .fetch_all(tx.db())
    .await?;
    let mut lines = Vec::new();
    for row in &rows {
        let (title, code): (String, String) = (row.try_get(2)?, row.try_get(5)?);
        let (of_item, ordered): (Option<i64>, Option<i64>) = (row.try_get(6)?, row.try_get(7)?);
        let same = (item.is_some() && (of_item == item || ordered == item))
            || (!key.is_empty() && code == key)
            || (key.is_empty() && title == refund.name);
        if same {
            lines.push(SoldLine {
                sale: SaleId::from_raw(row.try_get(0)?),
                line: SaleLineId::from_raw(row.try_get(1)?),
                title,
                measure: decide::measure(&row.try_get::<String, _>(3)?)?,
                left: row.try_get(4)?,
            });
        }
    }
    Ok(lines)
}
