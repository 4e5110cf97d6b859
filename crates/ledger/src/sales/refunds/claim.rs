//! What a refund claims: the sale's row and the next part of each line, by conditional updates of the
//! counters beside them (law 9).

use super::{NewRefund, OfSale, RefundOf, SoldLine};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{RefundOfWhat, Refundable, Rejection, SalesReason, Thing};
use domain::ids::SaleId;
use domain::money::{Currency, Money};
use domain::quantity::Quantity;
use domain::refund::{GivenBack, Part, RefundError, Sold, money_part, next_part};
use domain::stock::ReturnDisposition;
use sqlx::Row;
use sqlx::any::AnyRow;

/// Counts this refund and its shipping beside the sale. From here on the sale's row is locked, so its
/// lines' counters cannot move; the conditions are checked again anyway.
pub(super) async fn claim_sale(tx: &mut Tx, new: &NewRefund, sale: &OfSale) -> Result<Money, CommandError> {
    open_sale_refunded(tx, new.sale, sale.shipping).await?;
    let row = sqlx::query(
        "UPDATE sale_refunded SET refunds = refunds + 1 WHERE sale_id = $1 AND voided = 0 RETURNING shipping",
    )
    .bind(new.sale.raw())
    .fetch_optional(tx.db())
    .await?
    .ok_or_else(|| Rejection::invalid("sale", SalesReason::SaleVoided))?;
    let before = Money::from_minor(row.try_get("shipping")?, sale.shipping.currency())
        .stored("sale_refunded.shipping")?;
    let left = sale.shipping.minus(before).field("shipping")?;
    let shipping = if new.lines.is_empty() && new.shipping.is_zero() { left } else { new.shipping };
    if shipping.is_negative() {
        return Err(Rejection::invalid("shipping", SalesReason::NegativeShipping).into());
    }
    let done = sqlx::query(
        "UPDATE sale_refunded SET shipping = shipping + $2 WHERE sale_id = $1 AND shipping + $2 <= shipping_sold",
    )
    .bind(new.sale.raw())
    .bind(shipping.minor())
    .execute(tx.db())
    .await?;
    if done.rows_affected() == 0 {
        let (asked, left) = (Refundable::Money(shipping), Refundable::Money(left));
        return Err(Rejection::MoreThanSold { what: RefundOfWhat::Shipping, asked, left }.into());
    }
    Ok(shipping)
}

pub(crate) async fn open_sale_refunded(
    tx: &mut Tx,
    sale: SaleId,
    shipping: Money,
) -> Result<(), CommandError> {
    sqlx::query(
        "INSERT INTO sale_refunded (sale_id, shipping_sold, shipping, refunds, voided) VALUES ($1, $2, 0, 0, 0) \
         ON CONFLICT DO NOTHING",
    )
    .bind(sale.raw())
    .bind(shipping.minor())
    .execute(tx.db())
    .await?;
    Ok(())
}

pub(super) type Wanted<'a> = (&'a SoldLine, RefundOf, ReturnDisposition);

/// The lines that were asked for, each once; all of them if none is named.
pub(super) fn wanted<'a>(new: &NewRefund, sold: &'a [SoldLine]) -> Result<Vec<Wanted<'a>>, CommandError> {
    if new.lines.is_empty() && new.shipping.is_zero() {
        let fate = |line: &SoldLine| if line.item.is_some() { new.fate } else { ReturnDisposition::Open };
        return Ok(sold.iter().map(|line| (line, RefundOf::Rest, fate(line))).collect());
    }
    let mut wanted: Vec<Wanted<'a>> = Vec::with_capacity(new.lines.len());
    for asked in &new.lines {
        let line = sold
            .iter()
            .find(|l| l.id == asked.line)
            .ok_or_else(|| Rejection::no_such(Thing::SaleLine, asked.line))?;
        if wanted.iter().any(|(l, ..)| l.id == line.id) {
            let reason = SalesReason::LineTwice { title: line.title.clone() };
            return Err(Rejection::invalid("lines", reason).into());
        }
        if line.item.is_none() && asked.fate == ReturnDisposition::Shelf {
            let reason = SalesReason::NotStock { title: line.title.clone() };
            return Err(Rejection::invalid("fate", reason).into());
        }
        if matches!(asked.what, RefundOf::Money(_)) && asked.fate != ReturnDisposition::Open {
            let reason = SalesReason::MoneyAloneOf { title: line.title.clone() };
            return Err(Rejection::invalid("fate", reason).into());
        }
        wanted.push((line, asked.what, asked.fate));
    }
    Ok(wanted)
}

/// Moves the line's counters by the next part; nothing if everything is asked for and nothing is left.
pub(super) async fn claim_part(
    tx: &mut Tx,
    line: &SoldLine,
    what: RefundOf,
) -> Result<Option<Part>, CommandError> {
    let sold = as_sold(line);
    open_line_refunded(tx, line, &sold).await?;
    let before = given_before(tx, line).await?;
    let left = sold.stock_units - before.all.stock_units;
    let Some(part) = next_of(line, what, &before)? else { return Ok(None) };
    let done = sqlx::query(
        "UPDATE line_refunded SET stock_units = stock_units + $2, amount = amount + $3, discount = discount + $4, tax = tax + $5, \
         cost = cost + $6 WHERE sale_line_id = $1 AND stock_units + $2 <= stock_units_sold AND amount + $3 <= amount_sold \
         AND discount + $4 <= discount_sold AND tax + $5 <= tax_sold",
    )
    .bind(line.id.raw())
    .bind(part.stock_units)
    .bind(part.amount.minor())
    .bind(part.discount.minor())
    .bind(part.tax.minor())
    .bind(part.cost.minor())
    .execute(tx.db())
    .await?;
    if done.rows_affected() == 0 {
        let over = RefundError::MoreThanSold { asked: part.stock_units, left, sold: sold.stock_units };
        return Err(more_than_sold(line, over));
    }
    Ok(Some(part))
}

fn as_sold(line: &SoldLine) -> Sold {
    Sold {
        stock_units: line.book.quantity.stock_units(),
        amount: line.book.amount,
        discount: line.book.discount,
        tax: line.book.tax,
        cost: line.book.cost,
    }
}

/// The next part of a line; nothing if everything is asked for and nothing is left.
pub(super) fn next_of(
    line: &SoldLine,
    what: RefundOf,
    before: &GivenBack,
) -> Result<Option<Part>, CommandError> {
    let sold = as_sold(line);
    let left = sold.stock_units - before.all.stock_units;
    let part = match what {
        RefundOf::Rest if left == 0 => return Ok(None),
        RefundOf::Rest => next_part(&sold, before, left),
        RefundOf::Goods(asked) => {
            let quantity = Quantity::resolve(asked, line.book.quantity.measure()).field("quantity")?;
            next_part(&sold, before, quantity.stock_units())
        }
        RefundOf::Money(money) => money_part(&sold, &before.all, money),
    };
    part.map(Some).map_err(|error| more_than_sold(line, error))
}

fn more_than_sold(line: &SoldLine, error: RefundError) -> CommandError {
    let goods = |stock_units| {
        Quantity::from_stock_units(stock_units, line.book.quantity.measure()).map(Refundable::Goods)
    };
    let what = RefundOfWhat::Line(line.title.clone());
    match error {
        RefundError::MoreThanSold { asked, left, .. } => match (goods(asked), goods(left)) {
            (Ok(asked), Ok(left)) => Rejection::MoreThanSold { what, asked, left }.into(),
            (Err(error), _) | (_, Err(error)) => Rejection::invalid("quantity", error).into(),
        },
        RefundError::MoreMoney { asked, left } => {
            let (asked, left) = (Refundable::Money(asked), Refundable::Money(left));
            Rejection::MoreThanSold { what, asked, left }.into()
        }
        other => Rejection::invalid("quantity", other).into(),
    }
}

/// The counters of a line of which nothing was refunded yet.
async fn open_line_refunded(tx: &mut Tx, line: &SoldLine, sold: &Sold) -> Result<(), CommandError> {
    sqlx::query(
        "INSERT INTO line_refunded (sale_line_id, stock_units_sold, amount_sold, discount_sold, tax_sold, stock_units, amount, \
         discount, tax, cost) VALUES ($1, $2, $3, $4, $5, 0, 0, 0, 0, 0) ON CONFLICT DO NOTHING",
    )
    .bind(line.id.raw())
    .bind(sold.stock_units)
    .bind(sold.amount.minor())
    .bind(sold.discount.minor())
    .bind(sold.tax.minor())
    .execute(tx.db())
    .await?;
    Ok(())
}

/// What was refunded of a line before.
pub(super) async fn given_before(tx: &mut Tx, line: &SoldLine) -> Result<GivenBack, CommandError> {
    let currency = line.book.amount.currency();
    let row = sqlx::query(
        "SELECT stock_units, amount, discount, tax, cost FROM line_refunded WHERE sale_line_id = $1",
    )
    .bind(line.id.raw())
    .fetch_optional(tx.db())
    .await?;
    let Some(row) = row else { return Ok(GivenBack::none(Money::zero(currency))) };
    let all = read_part(&row, currency)?;
    // Money without goods tells the goods' share apart from it. The sale's row has been ours since its
    // claim, so no other refund comes in between.
    let row = sqlx::query(
        "SELECT CAST(0 AS BIGINT) AS stock_units, CAST(COALESCE(SUM(amount), 0) AS BIGINT) AS amount, \
         CAST(COALESCE(SUM(discount), 0) AS BIGINT) AS discount, CAST(COALESCE(SUM(tax), 0) AS BIGINT) AS tax, \
         CAST(0 AS BIGINT) AS cost FROM refund_line WHERE sale_line_id = $1 AND stock_units = 0",
    )
    .bind(line.id.raw())
    .fetch_one(tx.db())
    .await?;
    Ok(GivenBack { all, alone: read_part(&row, currency)? })
}

/// From columns `stock_units`, `amount`, `discount`, `tax`, `cost`.
fn read_part(row: &AnyRow, currency: Currency) -> Result<Part, CommandError> {
    let money = |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("line_refunded");
    Ok(Part {
        stock_units: row.try_get("stock_units")?,
        amount: money("amount")?,
        discount: money("discount")?,
        tax: money("tax")?,
        cost: money("cost")?,
    })
}
