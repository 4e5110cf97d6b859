//! What is refused before a sale is rung up: money that was already taken would have to be handed back.

use super::deposits;
use super::write::{AT_TENDER, balance_of};
use crate::sales::ring_up::{SaleLineIn, TenderIn};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use domain::basket::{LineKind, TenderKind};
use domain::certificate::CertificateNumber;
use domain::ids::{AccountId, CustomerId, ItemId};
use domain::money::Money;
use std::collections::BTreeMap;

/// Refuses payments by a gift certificate or a deposit beyond what is left of it, and by a deposit that is not for this
/// sale: not of its customer, or for none of its items. Another sale may still be quicker: then ringing up refuses them.
pub(crate) async fn refuse_more_than_is_left(
    tx: &mut Tx,
    tenders: &[TenderIn],
    sale: (Option<CustomerId>, &[ItemId]),
) -> Result<(), CommandError> {
    let mut by_deposit: BTreeMap<AccountId, Money> = BTreeMap::new();
    for tender in tenders {
        if let Some(deposit) = tender.deposit {
            let sum = by_deposit.entry(deposit).or_insert(Money::zero(tender.amount.currency()));
            *sum = sum.plus(tender.amount).field("amount")?;
        }
    }
    for (deposit, asked) in by_deposit {
        deposits::refuse_unusable(tx, deposit, asked, sale).await?;
    }
    let mut asked: BTreeMap<CertificateNumber, Money> = BTreeMap::new();
    for tender in tenders {
        if let Some(number) = tender.certificate {
            let sum = asked.entry(number).or_insert(Money::zero(tender.amount.currency()));
            *sum = sum.plus(tender.amount).field("amount")?;
        }
    }
    for (number, asked) in asked {
        let last_four = number.last_four();
        let reason = match balance_of(tx, number).await? {
            Some(left) if left.minor() >= asked.minor() => continue,
            Some(left) => SalesReason::CertificateShort { last_four, left, asked },
            None => SalesReason::CertificateUnknown { last_four },
        };
        return Err(Rejection::invalid(AT_TENDER, reason).into());
    }
    Ok(())
}

/// A gift certificate pays for goods, and not for another one: its value would never be spent.
pub(crate) fn refuse_bought_with_another(
    lines: &[SaleLineIn],
    tenders: &[TenderIn],
    due: Money,
) -> Result<(), CommandError> {
    let sold = lines.iter().filter_map(|line| match line {
        SaleLineIn::Paper { kind: LineKind::GiftCertificate, amount, .. } => Some(*amount),
        _ => None,
    });
    let sold = Money::sum(sold, due.currency()).field("lines")?;
    let by = tenders.iter().filter(|tender| tender.kind == TenderKind::GiftCertificate);
    let paid = Money::sum(by.map(|tender| tender.amount), due.currency()).field("tenders")?;
    refuse_bought_with_deposit(lines, tenders, due)?;
    if sold.is_zero() || paid.plus(sold).field("tenders")?.minor() <= due.minor() {
        return Ok(());
    }
    Err(Rejection::invalid(AT_TENDER, SalesReason::CertificateForAnother { sold }).into())
}

/// A deposit pays for goods alone.
fn refuse_bought_with_deposit(
    lines: &[SaleLineIn],
    tenders: &[TenderIn],
    due: Money,
) -> Result<(), CommandError> {
    let sold = lines.iter().filter_map(|line| match line {
        SaleLineIn::Paper { amount, .. } | SaleLineIn::Deposit { amount, .. } => Some(*amount),
        SaleLineIn::Goods { .. } => None,
    });
    let sold = Money::sum(sold, due.currency()).field("lines")?;
    let by = tenders.iter().filter(|tender| tender.kind == TenderKind::Deposit);
    let paid = Money::sum(by.map(|tender| tender.amount), due.currency()).field("tenders")?;
    if sold.is_zero() || paid.is_zero() || paid.plus(sold).field("tenders")?.minor() <= due.minor() {
        return Ok(());
    }
    Err(Rejection::invalid("tenders.deposit", SalesReason::DepositForAnother { sold }).into())
}
