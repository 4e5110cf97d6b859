//! What sales, refunds and voids do to gift certificates.

use super::write::{self, Cause, Change, NewCertificate};
use crate::sales::booking::Draft;
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason};
use domain::basket::{Given, LineKind, TenderKind};
use domain::certificate::CertificateNumber;
use domain::ids::{AccountId, RefundId, SaleId, SaleLineId};
use domain::money::Money;
use sqlx::Row;

/// Issues the certificates among a sale's lines, as a part of the bundle that books it.
pub(crate) fn add_sold(
    tx: &Tx,
    sale: SaleId,
    ids: &[SaleLineId],
    draft: &Draft,
    bundle: &mut Bundle,
) -> Result<Vec<Change>, CommandError> {
    let sold: Vec<(SaleLineId, &NewCertificate, Money)> = ids
        .iter()
        .zip(&draft.lines)
        .filter_map(|(id, line)| Some((*id, line.certificate.as_ref()?, line.money.amount)))
        .collect();
    let new: Vec<_> = sold.iter().map(|(_, certificate, amount)| (*certificate, *amount)).collect();
    let accounts = write::add_new(tx, &new, ("", &draft.who), bundle)?;
    let change = |(account, (line, _, amount)): (AccountId, (SaleLineId, _, Money))| Change {
        account,
        amount,
        cause: Cause::Sold(sale, line),
    };
    Ok(accounts.into_iter().zip(sold).map(change).collect())
}

/// Takes back refunded certificates, as far as they are not spent, and pays a refund on one.
pub(crate) async fn refunded(
    tx: &mut Tx,
    refund: RefundId,
    back: &[(SaleLineId, LineKind, Money)],
    (tenders, number): (&[Given], Option<CertificateNumber>),
    (note, who): (&str, &str),
) -> Result<(), CommandError> {
    let mut changes = Vec::new();
    for (line, kind, amount) in back {
        if *kind == LineKind::GiftCertificate
            && !amount.is_zero()
            && let Some(account) = sold_as(tx, *line).await?
        {
            take_back(tx, account, *amount).await?;
            let cause = Cause::Returned(refund, *line);
            changes.push(Change { account, amount: amount.negated(), cause });
        }
    }
    let paid = tenders.iter().filter(|given| given.0 == TenderKind::GiftCertificate).map(|given| given.1);
    let paid = Money::sum(paid, tx.shop().currency).field("tender")?;
    if !paid.is_zero() {
        let needed = || Rejection::invalid("certificate", SalesReason::CertificateNeeded);
        let account = write::give_to_number(tx, number.ok_or_else(needed)?, paid, who).await?;
        changes.push(Change { account, amount: paid, cause: Cause::Refund(refund) });
    }
    enter(tx, &changes, (note, who)).await
}

/// The certificate that a line sold; none for a past sale.
async fn sold_as(tx: &mut Tx, line: SaleLineId) -> Result<Option<AccountId>, CommandError> {
    let row = sqlx::query("SELECT account_id FROM account_entry WHERE sale_line_id = $1 AND reason = 'sold'")
        .bind(line.raw())
        .fetch_optional(tx.db())
        .await?;
    Ok(row.map(|row| row.try_get("account_id")).transpose()?.map(AccountId::from_raw))
}

async fn take_back(tx: &mut Tx, account: AccountId, amount: Money) -> Result<(), CommandError> {
    if write::take(tx, account, amount).await? {
        return Ok(());
    }
    let row = sqlx::query("SELECT balance FROM account WHERE id = $1")
        .bind(account.raw())
        .fetch_one(tx.db())
        .await?;
    let left = Money::from_minor(row.try_get("balance")?, amount.currency()).stored("account.balance")?;
    Err(Rejection::invalid("lines", SalesReason::CertificateSpent { left, asked: amount }).into())
}

/// Undoes what a sale did to certificates; false if one that it sold is spent.
pub(crate) async fn voided(
    tx: &mut Tx,
    sale: SaleId,
    (note, who): (&str, &str),
) -> Result<bool, CommandError> {
    let rows = sqlx::query(
        "SELECT account_id, CAST(SUM(amount) AS BIGINT) AS amount FROM account_entry WHERE sale_id = $1 \
         GROUP BY account_id ORDER BY account_id",
    )
    .bind(sale.raw())
    .fetch_all(tx.db())
    .await?;
    let mut changes = Vec::with_capacity(rows.len());
    for row in &rows {
        let account = AccountId::from_raw(row.try_get("account_id")?);
        let amount = Money::from_minor(row.try_get("amount")?, tx.shop().currency);
        let undone = amount.stored("account_entry.amount")?.negated();
        if undone.is_negative() {
            if !write::take(tx, account, undone.negated()).await? {
                return Ok(false);
            }
        } else {
            write::give(tx, account, undone).await?;
        }
        changes.push(Change { account, amount: undone, cause: Cause::Voided(sale) });
    }
    enter(tx, &changes, (note, who)).await?;
    Ok(true)
}

pub(crate) async fn enter(
    tx: &mut Tx,
    changes: &[Change],
    because: (&str, &str),
) -> Result<(), CommandError> {
    let mut bundle = Bundle::default();
    write::add_entries(tx, changes, because, &mut bundle)?;
    tx.write(bundle).await?;
    Ok(())
}
