//! An order's own refunds: rows of negative quantity, each booked once by its number. Nothing goes
//! back on the shelf until a person says so.

use super::{Before, decide, live, settled};
use crate::command::Tx;
use crate::error::{Failure, Naming, Stored};
use crate::refunds::{self, NewRefund, RefundLine, RefundTender};
use crate::refusal::Refusal;
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::codes::Code;
use domain::ids::{OrderLineId, RefundId, SaleId, SaleLineId};
use domain::money::Money;
use domain::order::{IncomingOrder, IncomingRefund, Standing};
use domain::quantity::Quantity;
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
        if let Some(made) = made {
            sqlx::query("UPDATE order_refund SET refund_id = $3 WHERE order_id = $1 AND number = $2")
                .bind(before.id.raw())
                .bind(refund.number.to_string())
                .bind(made.raw())
                .execute(tx.db())
                .await?;
        }
        booked += 1;
    }
    Ok(booked)
}

async fn one(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    refund: &IncomingRefund,
    who: &str,
) -> Result<Option<RefundId>, Failure> {
    let item = item_of(tx, refund.code.as_ref()).await?;
    if end_short_line(tx, before, refund, item).await? {
        return Ok(None);
    }
    if let Some(item) = item
        && settled::is_known_refund(tx, before, refund, item).await?
    {
        return Ok(None);
    }
    let (sale, line) = sold_line(tx, before, order, refund, item).await?;
    let currency = tx.shop().currency;
    let new = NewRefund {
        sale,
        lines: vec![RefundLine { line, quantity: Some(refund.quantity), fate: Fate::Open }],
        fate: Fate::Open,
        shipping: Money::zero(currency),
        tender: RefundTender::All(tender_of(&order.channel)),
        reason: format!("refund {} of order {}", refund.number, order.number),
        who: who.to_owned(),
    };
    // A past refund belongs to its past day; a live one to now, unless the feed says when.
    let at = order.modified.unwrap_or(if before.past { order.ordered } else { tx.now() });
    let done = refunds::of_order(tx, &new, at).await?;
    Ok(Some(done.id))
}

/// The line that comes back: of the order's sale, or what a person had sold for one that waited.
async fn sold_line(
    tx: &mut Tx,
    before: &Before,
    order: &IncomingOrder,
    refund: &IncomingRefund,
    item: Option<i64>,
) -> Result<(SaleId, SaleLineId), Failure> {
    let own = match before.sale {
        Some(sale) => sale_line(tx, sale, refund, item).await.map(|line| (sale, line)),
        None => Err(Refusal::invalid(
            "orderQuantity",
            format!("nothing of order {} was sold, so nothing is given back", order.number),
        )
        .into()),
    };
    match (own, item) {
        (Err(Failure::Refused(refusal)), Some(item)) => {
            let instead = settled::sold_instead(tx, before, item).await?;
            instead.ok_or(Failure::Refused(refusal))
        }
        (own, _) => own,
    }
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
        let given_back = Quantity::resolve(refund.quantity, measure).field("orderQuantity")?;
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

/// The sale's line of the same code (by item, if it is one of this shop), or of the same name; one
/// that has something left, if several are of it.
async fn sale_line(
    tx: &mut Tx,
    sale: SaleId,
    refund: &IncomingRefund,
    item: Option<i64>,
) -> Result<SaleLineId, Failure> {
    let key = live::code_key(refund.code.as_ref());
    let rows = sqlx::query(
        "SELECT l.id, l.item_id, l.code, l.title, l.steps - COALESCE(b.steps, 0) FROM sale_line l \
         LEFT JOIN line_back b ON b.sale_line_id = l.id WHERE l.sale_id = $1 ORDER BY l.position",
    )
    .bind(sale.raw())
    .fetch_all(tx.db())
    .await?;
    let mut last = None;
    for row in &rows {
        let line = SaleLineId::from_raw(row.try_get(0)?);
        let (of_item, code, title): (Option<i64>, String, String) =
            (row.try_get(1)?, row.try_get(2)?, row.try_get(3)?);
        let same = (of_item.is_some() && of_item == item)
            || (!key.is_empty() && code == key)
            || (key.is_empty() && title == refund.name);
        if same && row.try_get::<i64, _>(4)? > 0 {
            return Ok(line);
        }
        if same {
            last = Some(line);
        }
    }
    last.ok_or_else(|| {
        let what = refund.code.as_ref().map_or_else(|| refund.name.clone(), ToString::to_string);
        Refusal::invalid(
            "sku",
            format!("the order has no filled line of {what}, so nothing of it is given back"),
        )
        .into()
    })
}
