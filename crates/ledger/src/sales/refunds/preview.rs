//! What a refund would return, read without writing anything.

use super::claim::{given_before, next_of, wanted};
use super::settle::cash_before;
use super::{NewRefund, read_lines, read_sale};
use crate::sales::payments;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use domain::money::Money;
use domain::quantity::Quantity;
use domain::refund::CashBack;

/// A refund that was not made.
pub(crate) struct Preview {
    /// Each line's name, the quantity of it, and what is paid back for it.
    pub(crate) lines: Vec<(String, Quantity, Money)>,
    /// All of it.
    pub(crate) total: Money,
    /// What is left after an open balance of the sale was lowered.
    pub(crate) credit: Money,
    /// The cash of the sale's earlier refunds, on which the rounding of the next one depends.
    pub(crate) cash_before: CashBack,
}

/// Whatever would reject the refund rejects it here, except the limit of whoever makes it.
pub(crate) async fn preview(tx: &mut Tx, new: &NewRefund) -> Result<Preview, CommandError> {
    let currency = tx.shop().currency;
    read_sale(tx, new.sale, currency).await?;
    refuse_voided(tx, new).await?;
    let sold = read_lines(tx, new.sale, currency).await?;
    let (mut lines, mut total) = (Vec::new(), Money::zero(currency));
    for (line, what, _) in wanted(new, &sold)? {
        let before = given_before(tx, line).await?;
        if let Some(part) = next_of(line, what, &before)? {
            let money = part.given_back().field("lines")?;
            let quantity = Quantity::from_stock_units(part.stock_units, line.book.quantity.measure());
            lines.push((line.title.clone(), quantity.field("quantity")?, money));
            total = total.plus(money).field("lines")?;
        }
    }
    if lines.is_empty() {
        return Err(Rejection::invalid("lines", SalesReason::AllRefunded).into());
    }
    let debt = payments::open_debt(tx, new.sale, currency).await?;
    let owed = Money::from_minor(total.minor().min(debt.minor()), currency).field("lines")?;
    let cash_before = cash_before(tx, new.sale, currency).await?;
    Ok(Preview { lines, total, credit: total.minus(owed).field("lines")?, cash_before })
}

async fn refuse_voided(tx: &mut Tx, new: &NewRefund) -> Result<(), CommandError> {
    let row = sqlx::query("SELECT sale_id FROM sale_void WHERE sale_id = $1")
        .bind(new.sale.raw())
        .fetch_optional(tx.db())
        .await?;
    if row.is_some() {
        return Err(Rejection::invalid("sale", SalesReason::SaleVoided).into());
    }
    Ok(())
}
