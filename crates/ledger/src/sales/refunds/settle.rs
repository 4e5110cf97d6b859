//! The amount of a refund and how it is returned: first by lowering an open balance, then to the deposits that paid, then
//! in other ways, cash rounded.

use super::{NewRefund, RefundPart, RefundTender};
use crate::sales::accounts;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason};
use domain::basket::{Given, TenderKind};
use domain::ids::SaleId;
use domain::money::{Currency, Money};
use domain::refund::{CashBack, Part, next_cash_back};
use sqlx::Row;

/// The refund's figures: law 4 with every sign turned.
pub(super) struct Settled {
    pub(super) goods: Money,
    pub(super) discounts: Money,
    pub(super) tax: Money,
    pub(super) shipping: Money,
    pub(super) rounding: Money,
    pub(super) total: Money,
    pub(super) tenders: Vec<Given>,
}

/// An open balance of the sale is lowered first, and only the rest is handed out: nobody gets cash for
/// what they have not paid.
pub(super) async fn settle(
    tx: &mut Tx,
    new: &NewRefund,
    parts: &[RefundPart<'_>],
    shipping: Money,
    debt: Money,
) -> Result<Settled, CommandError> {
    let currency = shipping.currency();
    let mut sum = Part::none(shipping);
    for (_, _, part, _) in parts {
        sum = sum.plus(part).field("lines")?;
    }
    let due = sum.given_back().and_then(|d| d.plus(shipping)).field("lines")?;
    let less_owed = Money::from_minor(due.minor().min(debt.minor()), currency).field("tender")?;
    let (rounding, tenders) = match &new.tender {
        RefundTender::All(TenderKind::OnAccount) => {
            (Money::zero(currency), vec![(TenderKind::OnAccount, due)])
        }
        RefundTender::All(TenderKind::Exchange) => return Err(no_payment()),
        RefundTender::Parts(parts) if parts.iter().any(|part| part.0 == TenderKind::Exchange) => {
            return Err(no_payment());
        }
        RefundTender::All(kind) => {
            all_by(tx, new.sale, *kind, Split { due, less_owed, exchanged: None }).await?
        }
        RefundTender::Exchange { amount, rest, .. } => {
            all_by(tx, new.sale, *rest, Split { due, less_owed, exchanged: Some(*amount) }).await?
        }
        RefundTender::Parts(parts) => {
            let owed = parts.iter().filter(|p| p.0 == TenderKind::OnAccount).map(|p| p.1);
            if Money::sum(owed, currency).field("tender")?.minor() < less_owed.minor() {
                let reason = SalesReason::BalanceFirst { balance: debt, part: less_owed };
                return Err(Rejection::invalid("tender", reason).into());
            }
            refuse_past_deposits(tx, new.sale, parts, due.minus(less_owed).field("tender")?).await?;
            (rounding_of(tx, new.sale, parts, due).await?, parts.clone())
        }
    };
    let total = due.plus(rounding).field("tender")?;
    let given = Money::sum(tenders.iter().map(|t| t.1), currency).field("tender")?;
    if given != total || tenders.iter().any(|t| t.1.is_negative()) {
        let reason = SalesReason::RefundUnbalanced { total, given };
        return Err(Rejection::invalid("tender", reason).into());
    }
    let (goods, discounts, tax) = (sum.amount, sum.discount, sum.tax);
    Ok(Settled { goods, discounts, tax, shipping, rounding, total, tenders })
}

/// Only an exchange pays another sale.
fn no_payment() -> CommandError {
    Rejection::invalid("tender", SalesReason::NotAPayment).into()
}

/// A refund: what lowers an open balance, and what pays another sale, if it is an exchange.
struct Split {
    due: Money,
    less_owed: Money,
    exchanged: Option<Money>,
}

/// What deposits paid goes back to them before anything is handed out, and never more.
async fn refuse_past_deposits(
    tx: &mut Tx,
    sale: SaleId,
    parts: &[Given],
    rest: Money,
) -> Result<(), CommandError> {
    let paid = accounts::paid_by_deposits(tx, sale).await?;
    let back = parts.iter().filter(|part| part.0 == TenderKind::Deposit).map(|part| part.1);
    let back = Money::sum(back, rest.currency()).field("tender")?;
    let part = Money::from_minor(paid.minor().min(rest.minor()), rest.currency()).field("tender")?;
    if back.minor() > paid.minor() {
        return Err(Rejection::invalid("tender", SalesReason::DepositReturned { paid, asked: back }).into());
    }
    if back.minor() < part.minor() {
        return Err(Rejection::invalid("tender", SalesReason::DepositFirst { part }).into());
    }
    Ok(())
}

/// Whatever neither lowers an open balance nor pays another sale goes back to the deposits that paid, and the rest is
/// returned in one way. In an exchange only the difference is returned, by nothing but money. Returns the cash rounding
/// and the payments.
async fn all_by(
    tx: &mut Tx,
    sale: SaleId,
    kind: TenderKind,
    split: Split,
) -> Result<(Money, Vec<Given>), CommandError> {
    let Split { due, less_owed, exchanged } = split;
    let none = Money::zero(due.currency());
    let left = due.minus(less_owed).and_then(|left| left.minus(exchanged.unwrap_or(none))).field("tender")?;
    let paid = if exchanged.is_some() { none } else { accounts::paid_by_deposits(tx, sale).await? };
    let on_deposit =
        Money::from_minor(paid.minor().min(left.minor()).max(0), due.currency()).field("tender")?;
    let rest = left.minus(on_deposit).field("tender")?;
    if kind == TenderKind::Deposit && !rest.is_zero() {
        return Err(Rejection::invalid("tender", SalesReason::DepositReturned { paid, asked: left }).into());
    }
    let given = if kind == TenderKind::Cash { in_cash(tx, sale, rest).await? } else { rest };
    let exchanged = exchanged.unwrap_or(none);
    let mut tenders = vec![
        (TenderKind::OnAccount, less_owed),
        (TenderKind::Exchange, exchanged),
        (TenderKind::Deposit, on_deposit),
        (kind, given),
    ];
    // One of them is recorded even if nothing is returned.
    let is_empty = [less_owed, exchanged, on_deposit].iter().all(|amount| amount.is_zero());
    tenders.retain(|(of, amount)| !amount.is_zero() || (*of == kind && is_empty));
    Ok((given.minus(rest).field("tender")?, tenders))
}

/// What cash rounding adds to parts that somebody chose. Only cash is rounded; without cash the parts
/// are the exact amount.
async fn rounding_of(tx: &mut Tx, sale: SaleId, parts: &[Given], due: Money) -> Result<Money, CommandError> {
    let currency = due.currency();
    let other = parts.iter().filter(|p| p.0 != TenderKind::Cash).map(|p| p.1);
    let for_cash = due.minus(Money::sum(other, currency).field("tender")?).field("tender")?;
    if parts.iter().all(|p| p.0 != TenderKind::Cash) || for_cash.is_negative() {
        return Ok(Money::zero(currency));
    }
    in_cash(tx, sale, for_cash).await?.minus(for_cash).field("tender")
}

/// The cash for `exact`, given the cash refunded for the sale before. The sale's row has been ours
/// since its claim, so no other refund comes in between.
async fn in_cash(tx: &mut Tx, sale: SaleId, exact: Money) -> Result<Money, CommandError> {
    let rule = tx.shop().cash_rounding;
    let before = cash_before(tx, sale, exact.currency()).await?;
    next_cash_back(exact, &before, rule).field("tender")
}

/// Only cash is rounded, so the roundings of a sale's refunds are the difference in its cash.
pub(super) async fn cash_before(
    tx: &mut Tx,
    sale: SaleId,
    currency: Currency,
) -> Result<CashBack, CommandError> {
    let row = sqlx::query(
        "SELECT CAST(COALESCE(SUM(r.rounding), 0) AS BIGINT) AS rounding, CAST(COALESCE(SUM((SELECT SUM(t.amount) FROM tender t \
         WHERE t.refund_id = r.id AND t.kind = 'cash')), 0) AS BIGINT) AS cash FROM refund r WHERE r.sale_id = $1",
    )
    .bind(sale.raw())
    .fetch_one(tx.db())
    .await?;
    let money = |minor| Money::from_minor(minor, currency).stored("refund.rounding");
    let (rounding, cash): (i64, i64) = (row.try_get("rounding")?, row.try_get("cash")?);
    Ok(CashBack { exact: money(cash - rounding)?, handed_out: money(cash)? })
}
