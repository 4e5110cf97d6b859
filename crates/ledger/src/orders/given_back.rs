//! Refunds that an order brings, each booked once by its number. Nothing returns to stock until
//! somebody says so.

use super::{ExistingOrder, decide, live, money_back};
use crate::sales::refunds::{self, NewRefund, RefundLine, RefundOf, RefundTender};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{OrdersReason, RefundOfWhat, Refundable, Rejection};
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::codes::Code;
use domain::ids::{OrderLineId, RefundId, SaleId, SaleLineId};
use domain::money::Money;
use domain::order::{IncomingOrder, IncomingRefund, Refunded, Standing};
use domain::quantity::{Asked, Measure, Quantity};
use domain::stock::ReturnDisposition;
use sqlx::Row;

/// Books the refunds that were not booked before; returns how many.
pub(super) async fn book(
    tx: &mut Tx,
    before: &ExistingOrder,
    order: &IncomingOrder,
    who: &str,
) -> Result<usize, CommandError> {
    // An order that arrives complete and was never sold has nothing to refund, each time it comes.
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

/// The refunds that a number stands for. If several sales were refunded, they have numbers that no
/// online shop can give.
async fn note_refunds(
    tx: &mut Tx,
    before: &ExistingOrder,
    refund: &IncomingRefund,
    made: &[RefundId],
) -> Result<(), CommandError> {
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

/// A refund, and the item of this shop that it names, if any.
#[derive(Clone, Copy)]
pub(super) struct Wanted<'a> {
    pub(super) before: &'a ExistingOrder,
    order: &'a IncomingOrder,
    pub(super) refund: &'a IncomingRefund,
    item: Option<i64>,
}

impl Wanted<'_> {
    /// Whether it is of some goods of the order, and not of all.
    pub(super) fn names_goods(self) -> bool {
        self.refund.code.is_some() || !self.refund.name.is_empty()
    }
}

/// What is refunded of one of the order's sales.
pub(super) struct OfSale {
    pub(super) sale: SaleId,
    pub(super) lines: Vec<RefundLine>,
    pub(super) shipping: Money,
}

impl OfSale {
    pub(super) fn none(sale: SaleId, like: Money) -> Self {
        Self { sale, lines: Vec::new(), shipping: Money::zero(like.currency()) }
    }
}

async fn one(
    tx: &mut Tx,
    before: &ExistingOrder,
    order: &IncomingOrder,
    refund: &IncomingRefund,
    who: &str,
) -> Result<Vec<RefundId>, CommandError> {
    let item = item_of(tx, refund.code.as_ref()).await?;
    let wanted = Wanted { before, order, refund, item };
    if let Refunded::Goods(asked) = refund.what
        && end_short_line(tx, wanted, asked).await?
    {
        return Ok(Vec::new());
    }
    if is_known_refund(tx, wanted).await? {
        return Ok(Vec::new());
    }
    let lines = sold_lines(tx, wanted).await?;
    if matches!(refund.what, Refunded::Money(_)) && lines.is_empty() && was_never_sold(tx, wanted).await? {
        return Ok(Vec::new());
    }
    if before.sale.is_none() {
        let reason = OrdersReason::NothingSold { number: order.number.clone() };
        return Err(Rejection::invalid("orderQuantity", reason).into());
    }
    if lines.is_empty() && wanted.names_goods() {
        let goods = refund.code.as_ref().map_or_else(|| refund.name.clone(), ToString::to_string);
        let reason = OrdersReason::NotInOrder { goods };
        return Err(Rejection::invalid("sku", reason).into());
    }
    let parts = match refund.what {
        Refunded::Money(money) => money_back::parts(tx, wanted, &lines, money).await?,
        Refunded::Goods(asked) => parts(&lines, asked, order.shipping)?,
    };
    // A past refund belongs to its past day; any other belongs to now, unless the feed says when.
    let at = order.modified.unwrap_or(if before.past { order.ordered } else { tx.now() });
    let mut made = Vec::new();
    for OfSale { sale, lines, shipping } in parts {
        let new = NewRefund {
            sale,
            lines,
            fate: ReturnDisposition::Open,
            shipping,
            tender: RefundTender::All(tender_of(&order.channel)),
            certificate: None,
            reason: format!("refund {} of order {}", refund.number, order.number),
            who: who.to_owned(),
        };
        made.push(refunds::of_order(tx, &new, at).await?.id);
    }
    Ok(made)
}

/// What is refunded of each of the order's sales: of the first line that has all of it, otherwise of
/// several.
fn parts(lines: &[SoldLine], asked: Asked, like: Money) -> Result<Vec<OfSale>, CommandError> {
    let Some(first) = lines.first() else { return Ok(Vec::new()) };
    let asked = Quantity::resolve_ordered(asked, first.measure).field("orderQuantity")?;
    let left: i64 = lines.iter().map(|line| line.left).sum();
    if asked.stock_units() > left {
        let left = Quantity::from_stock_units(left, first.measure).stored("refund_line.stock_units")?;
        let what = RefundOfWhat::Line(first.title.clone());
        let (asked, left) = (Refundable::Goods(asked), Refundable::Goods(left));
        return Err(Rejection::MoreThanSold { what, asked, left }.into());
    }
    let whole = lines.iter().filter(|line| line.left >= asked.stock_units()).take(1);
    let whole: Vec<&SoldLine> = whole.collect();
    let from: Vec<&SoldLine> = if whole.is_empty() { lines.iter().collect() } else { whole };
    let mut open = asked.stock_units();
    let mut parts: Vec<OfSale> = Vec::new();
    for line in from {
        let stock_units = open.min(line.left);
        if stock_units == 0 {
            continue;
        }
        open -= stock_units;
        let value =
            Quantity::from_stock_units(stock_units, line.measure).stored("sale_line.stock_units")?.value();
        let what = RefundOf::Goods(Asked { value, unit: None });
        let back = RefundLine { line: line.line, what, fate: ReturnDisposition::Open };
        match parts.last_mut() {
            Some(of) if of.sale == line.sale => of.lines.push(back),
            _ => parts.push(OfSale { lines: vec![back], ..OfSale::none(line.sale, like) }),
        }
    }
    Ok(parts)
}

/// Whether a refund from the online shop is the one that somebody made here for a line that was never
/// sold: of the same goods, or of the same amount. Each is matched once; a second one is another
/// refund.
async fn is_known_refund(tx: &mut Tx, wanted: Wanted<'_>) -> Result<bool, CommandError> {
    let Wanted { before, refund, item, .. } = wanted;
    let money = match refund.what {
        Refunded::Goods(_) => None,
        Refunded::Money(money) => Some(money.minor()),
    };
    if item.is_none() && (money.is_none() || refund.code.is_some()) {
        return Ok(false);
    }
    let told = sqlx::query(
        "UPDATE line_decision SET refund_number = $2 WHERE refund_number IS NULL AND line_id = \
         (SELECT c.line_id FROM line_decision c JOIN order_line l ON l.id = c.line_id \
          WHERE c.order_id = $1 AND c.choice = 'refunded' AND c.refund_number IS NULL AND ($3 = 0 OR l.item_id = $3) \
          AND ($4 = 0 OR c.amount - c.discount + c.tax + c.shipping = $4) ORDER BY c.line_id LIMIT 1)",
    )
    .bind(before.id.raw())
    .bind(refund.number.to_string())
    .bind(item.unwrap_or(0))
    .bind(money.unwrap_or(0))
    .execute(tx.db())
    .await?;
    Ok(told.rows_affected() == 1)
}

/// How the money of a channel's order is returned.
pub(super) fn tender_of(channel: &Channel) -> TenderKind {
    if *channel == Channel::online() { TenderKind::Online } else { TenderKind::Other }
}

/// A line that was never filled is simply closed, because its money was never in the books. Refunding a
/// part of one is rejected: closing it would forget the rest, which is paid for and waits for a
/// decision.
async fn end_short_line(tx: &mut Tx, wanted: Wanted<'_>, asked: Asked) -> Result<bool, CommandError> {
    let rows = sqlx::query(
        "SELECT id, code, stock_units, unit FROM order_line WHERE order_id = $1 AND state = 'short' ORDER BY position",
    )
    .bind(wanted.before.id.raw())
    .fetch_all(tx.db())
    .await?;
    for row in rows {
        let id = OrderLineId::from_raw(row.try_get("id")?);
        let code = Code::parse(&row.try_get::<String, _>("code")?).stored("order_line.code")?;
        if wanted.item.is_none() || item_of(tx, Some(&code)).await? != wanted.item {
            continue;
        }
        let measure = decide::measure(&row.try_get::<String, _>("unit")?)?;
        let given_back = Quantity::resolve_ordered(asked, measure).field("orderQuantity")?;
        if given_back.stock_units() < row.try_get("stock_units")? {
            return Err(waits(wanted).into());
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

fn waits(wanted: Wanted<'_>) -> Rejection {
    let (number, refund) = (wanted.order.number.to_string(), wanted.refund.number.to_string());
    Rejection::RefundWaits { number, refund }
}

/// Whether a refund of money is for goods whose own money never was in the books, and never will be:
/// for closed lines, or for an order that is over. While the lines wait, nobody can say whether they
/// will be sold.
async fn was_never_sold(tx: &mut Tx, wanted: Wanted<'_>) -> Result<bool, CommandError> {
    if wanted.names_goods() && wanted.item.is_none() {
        return Ok(false);
    }
    let rows = sqlx::query("SELECT state FROM order_line WHERE order_id = $1 AND ($2 = 0 OR item_id = $2)")
        .bind(wanted.before.id.raw())
        .bind(wanted.item.unwrap_or(0))
        .fetch_all(tx.db())
        .await?;
    let mut is_waiting = false;
    for row in &rows {
        let state: String = row.try_get("state")?;
        is_waiting |= matches!(state.as_str(), "short" | "held");
    }
    if is_waiting && wanted.order.status.standing() != Standing::Undone {
        return Err(waits(wanted).into());
    }
    Ok(!rows.is_empty())
}

async fn item_of(tx: &mut Tx, code: Option<&Code>) -> Result<Option<i64>, CommandError> {
    let Some(code) = code else { return Ok(None) };
    let row = sqlx::query("SELECT item_id FROM code WHERE code = $1")
        .bind(code.key())
        .fetch_optional(tx.db())
        .await?;
    row.map(|row| Ok(row.try_get("item_id")?)).transpose()
}

/// A line of one of the order's sales.
pub(super) struct SoldLine {
    pub(super) sale: SaleId,
    pub(super) line: SaleLineId,
    pub(super) title: String,
    measure: Measure,
    /// Steps that were not refunded.
    left: i64,
    /// Money that was not refunded, tax included, in minor units.
    pub(super) money_left: i64,
}

/// The lines with the same code (by item, if it is one of this shop) or the same name. What somebody
/// substituted for an out-of-stock line counts as a line of what was ordered. All lines if nothing is
/// named.
async fn sold_lines(tx: &mut Tx, wanted: Wanted<'_>) -> Result<Vec<SoldLine>, CommandError> {
    let Wanted { before, refund, item, .. } = wanted;
    let key = live::code_key(refund.code.as_ref());
    let rows = sqlx::query(
        "SELECT s.id AS sale_id, l.id AS line_id, l.title, l.unit, l.stock_units - COALESCE(b.stock_units, 0) AS stock_units_left, l.code, l.item_id, n.for_item_id, \
         l.amount - l.discount + l.tax - COALESCE(b.amount - b.discount + b.tax, 0) AS money_left \
         FROM sale s JOIN sale_line l ON l.sale_id = s.id LEFT JOIN line_refunded b ON b.sale_line_id = l.id \
         LEFT JOIN order_line n ON n.order_id = s.order_id AND n.sale_line_id = l.id \
         WHERE s.order_id = $1 ORDER BY s.id, l.position",
    )
    .bind(before.id.raw())
    .fetch_all(tx.db())
    .await?;
    let mut lines = Vec::new();
    for row in &rows {
        let (title, code): (String, String) = (row.try_get("title")?, row.try_get("code")?);
        let (of_item, ordered): (Option<i64>, Option<i64>) =
            (row.try_get("item_id")?, row.try_get("for_item_id")?);
        let same = (item.is_some() && (of_item == item || ordered == item))
            || (!key.is_empty() && code == key)
            || (key.is_empty() && (refund.name.is_empty() || title == refund.name));
        if same {
            lines.push(SoldLine {
                sale: SaleId::from_raw(row.try_get("sale_id")?),
                line: SaleLineId::from_raw(row.try_get("line_id")?),
                title,
                measure: decide::measure(&row.try_get::<String, _>("unit")?)?,
                left: row.try_get("stock_units_left")?,
                money_left: row.try_get("money_left")?,
            });
        }
    }
    Ok(lines)
}
