//! What is refused before a sale is rung up: money that was already taken would have to be handed back.

use super::write::{AT_TENDER, balance_of};
use crate::sales::ring_up::{SaleLineIn, TenderIn};
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason};
use domain::basket::{LineKind, TenderKind};
use domain::certificate::CertificateNumber;
use domain::money::Money;
use std::collections::BTreeMap;

/// Refuses payments by a gift certificate beyond what is left on it. Another sale may still be quicker: then ringing
/// up refuses them.
pub(crate) async fn refuse_more_than_is_left(tx: &mut Tx, tenders: &[TenderIn]) -> Result<(), CommandError> {
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
    if sold.is_zero() || paid.plus(sold).field("tenders")?.minor() <= due.minor() {
        return Ok(());
    }
    Err(Rejection::invalid(AT_TENDER, SalesReason::CertificateForAnother { sold }).into())
}
