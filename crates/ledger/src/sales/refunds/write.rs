//! Writes a refund into the books.

use super::settle::Settled;
use super::{RefundNote, RefundPart, SoldLine};
use crate::books;
use crate::books::figures::{BookLine, put_back, refunded};
use crate::sales::payments;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::sql::insert_rows;
use crate::store::tables;
use domain::basket::{Given, LineKind, TenderKind};
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{RefundId, SaleId};
use domain::quantity::Quantity;
use domain::refund::Part;
use domain::revenue::Figures;
use domain::stock::ReturnDisposition;
use sqlx::Row;

pub(super) async fn write(
    tx: &mut Tx,
    id: RefundId,
    (sale, pays): (SaleId, Option<SaleId>),
    channel: &Channel,
    given: &Settled,
    note: RefundNote<'_>,
) -> Result<(), CommandError> {
    insert_rows(tx.db(), &tables::REFUND, std::slice::from_ref(given), |statement, given| {
        statement
            .bind(id.raw())
            .bind(sale.raw())
            .bind(channel.as_str().to_owned())
            .bind(note.at.millis())
            .bind(given.goods.minor())
            .bind(given.discounts.minor())
            .bind(given.tax.minor())
            .bind(given.shipping.minor())
            .bind(given.rounding.minor())
            .bind(given.total.minor())
            .bind(note.reason.to_owned())
            .bind(note.who.to_owned())
            .bind(pays.map(SaleId::raw))
    })
    .await?;
    Ok(())
}

/// The units that a part takes out of the books: see [`refunded`].
async fn units(tx: &mut Tx, line: &SoldLine, part: &Part) -> Result<i64, CommandError> {
    if line.book.kind != LineKind::Goods || part.stock_units == 0 {
        return Ok(0);
    }
    let row = sqlx::query("SELECT stock_units, stock_units_sold FROM line_refunded WHERE sale_line_id = $1")
        .bind(line.id.raw())
        .fetch_one(tx.db())
        .await?;
    let complete = row.try_get::<i64, _>("stock_units")? == row.try_get::<i64, _>("stock_units_sold")?;
    Ok(match line.book.quantity.measure() {
        domain::quantity::Measure::Units => part.stock_units,
        domain::quantity::Measure::Thousandths(_) => i64::from(complete),
    })
}

pub(super) async fn write_lines(
    tx: &mut Tx,
    id: RefundId,
    parts: &[RefundPart<'_>],
    note: RefundNote<'_>,
) -> Result<(), CommandError> {
    let mut rows = Vec::with_capacity(parts.len());
    for (line_id, line, part, _) in parts {
        rows.push((line_id.raw(), line.id.raw(), units(tx, line, part).await?, *part));
    }
    insert_rows(tx.db(), &tables::REFUND_LINE, &rows, |statement, (line_id, sale_line, units, part)| {
        statement
            .bind(*line_id)
            .bind(id.raw())
            .bind(*sale_line)
            .bind(part.stock_units)
            .bind(*units)
            .bind(part.amount.minor())
            .bind(part.discount.minor())
            .bind(part.tax.minor())
            .bind(part.cost.minor())
    })
    .await?;
    let fates: Vec<(i64, ReturnDisposition)> =
        parts.iter().filter(|p| p.3 != ReturnDisposition::Open).map(|p| (p.0.raw(), p.3)).collect();
    insert_rows(tx.db(), &tables::RETURN_DECISION, &fates, |statement, (line_id, fate)| {
        statement.bind(*line_id).bind(fate.code().to_owned()).bind(note.at.millis()).bind(note.who.to_owned())
    })
    .await?;
    Ok(())
}

pub(super) async fn write_tenders(
    tx: &mut Tx,
    id: RefundId,
    sale: SaleId,
    tenders: &[Given],
    note: RefundNote<'_>,
) -> Result<(), CommandError> {
    let rows = tenders
        .iter()
        .map(|(kind, amount)| Ok((tx.next_id()?, *kind, *amount)))
        .collect::<Result<Vec<_>, CommandError>>()?;
    insert_rows(tx.db(), &tables::TENDER, &rows, |statement, (tender, kind, amount)| {
        statement
            .bind(*tender)
            .bind(None::<i64>)
            .bind(id.raw())
            .bind(kind.code().to_owned())
            .bind(amount.minor())
            .bind(None::<i64>)
            .bind(None::<i64>)
    })
    .await?;
    for (kind, amount) in tenders {
        if *kind == TenderKind::OnAccount && !amount.is_zero() {
            payments::forgive(tx, sale, *amount, note.who).await?;
        }
    }
    Ok(())
}

pub(super) async fn add_to_books(
    tx: &mut Tx,
    channel: &Channel,
    parts: &[RefundPart<'_>],
    given: &Settled,
    at: Moment,
) -> Result<(), CommandError> {
    let shop = tx.shop();
    let mut sum = Figures {
        shipping: given.shipping.negated(),
        rounding: given.rounding.negated(),
        ..Figures::none(shop.currency)
    };
    for (_, line, part, fate) in parts {
        let units = units(tx, line, part).await?;
        let quantity =
            Quantity::from_stock_units(part.stock_units, line.book.quantity.measure()).field("quantity")?;
        let given =
            BookLine { quantity, amount: part.amount, discount: part.discount, tax: part.tax, ..line.book };
        sum = sum.plus(&refunded(&given, units)?).field("total")?;
        if *fate == ReturnDisposition::Shelf {
            sum = sum.plus(&put_back(part.cost, line.book.cost.is_some(), units)).field("total")?;
        }
    }
    books::add_one(tx, shop.zone.day_of(at), channel, &sum).await
}
