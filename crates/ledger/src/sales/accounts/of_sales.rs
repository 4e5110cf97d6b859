//! What sales, refunds and voids do to gift certificates and deposits.

use super::deposits;
use super::write::{self, Cause, Change, NewAccount, Opens};
use crate::sales::booking::Draft;
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{NotVoidable, Rejection, SalesReason};
use domain::account::AccountKind;
use domain::basket::{Given, LineKind, TenderKind};
use domain::certificate::CertificateNumber;
use domain::ids::{AccountId, RefundId, SaleId, SaleLineId};
use domain::money::Money;
use sqlx::Row;

/// Opens the accounts that a sale's lines sell, as a part of the bundle that books it.
pub(crate) fn add_sold(
    tx: &Tx,
    sale: SaleId,
    ids: &[SaleLineId],
    draft: &Draft,
    bundle: &mut Bundle,
) -> Result<Vec<Change>, CommandError> {
    let mut new = Vec::new();
    let mut sold = Vec::new();
    for (id, line) in ids.iter().zip(&draft.lines) {
        let amount = line.money.amount;
        match &line.opens {
            None => continue,
            Some(Opens::Certificate(certificate)) => new.push(NewAccount::Certificate(certificate, amount)),
            Some(Opens::Deposit(of)) => {
                let nobody = || Rejection::invalid("lines", SalesReason::DepositNeedsCustomer);
                let customer = draft.party.customer.ok_or_else(nobody)?;
                new.push(NewAccount::Deposit(customer, *of, amount));
            }
        }
        sold.push((*id, amount));
    }
    let accounts = write::add_new(tx, &new, ("", &draft.who), bundle)?;
    let change = |(account, (line, amount)): (AccountId, (SaleLineId, Money))| Change {
        account,
        amount,
        cause: Cause::Sold(sale, line),
    };
    Ok(accounts.into_iter().zip(sold).map(change).collect())
}

/// How a refund is paid, and the gift certificate that gets what is paid on one.
pub(crate) type PaidBack<'a> = (&'a [Given], Option<CertificateNumber>);

/// Takes back refunded certificates and deposits, as far as they are not spent, and gives back to those that paid.
pub(crate) async fn refunded(
    tx: &mut Tx,
    (refund, sale): (RefundId, SaleId),
    back: &[(SaleLineId, LineKind, Money)],
    (tenders, number): PaidBack<'_>,
    (note, who): (&str, &str),
) -> Result<(), CommandError> {
    let mut changes = Vec::new();
    for (line, kind, amount) in back {
        if *kind != LineKind::Goods
            && !amount.is_zero()
            && let Some(account) = sold_as(tx, *line).await?
        {
            take_back(tx, account, *kind, *amount).await?;
            let cause = Cause::Returned(refund, *line);
            changes.push(Change { account, amount: amount.negated(), cause });
        }
    }
    let currency = tx.shop().currency;
    let paid = |kind| {
        let paid = tenders.iter().filter(|given| given.0 == kind).map(|given| given.1);
        Money::sum(paid, currency).field("tender")
    };
    let on_certificate = paid(TenderKind::GiftCertificate)?;
    if !on_certificate.is_zero() {
        let needed = || Rejection::invalid("certificate", SalesReason::CertificateNeeded);
        let account = write::give_to_number(tx, number.ok_or_else(needed)?, on_certificate, who).await?;
        changes.push(Change { account, amount: on_certificate, cause: Cause::Refund(refund) });
    }
    for (account, amount) in deposits::give_back(tx, sale, paid(TenderKind::Deposit)?).await? {
        changes.push(Change { account, amount, cause: Cause::Refund(refund) });
    }
    enter(tx, &changes, (note, who)).await
}

/// The account that a line sold; none for a past sale.
async fn sold_as(tx: &mut Tx, line: SaleLineId) -> Result<Option<AccountId>, CommandError> {
    let row = sqlx::query("SELECT account_id FROM account_entry WHERE sale_line_id = $1 AND reason = 'sold'")
        .bind(line.raw())
        .fetch_optional(tx.db())
        .await?;
    Ok(row.map(|row| row.try_get("account_id")).transpose()?.map(AccountId::from_raw))
}

async fn take_back(
    tx: &mut Tx,
    account: AccountId,
    kind: LineKind,
    amount: Money,
) -> Result<(), CommandError> {
    if write::take(tx, account, amount).await? {
        return Ok(());
    }
    let row = sqlx::query("SELECT balance FROM account WHERE id = $1")
        .bind(account.raw())
        .fetch_one(tx.db())
        .await?;
    let left = Money::from_minor(row.try_get("balance")?, amount.currency()).stored("account.balance")?;
    let reason = match kind {
        LineKind::Deposit => SalesReason::DepositSpent { left, asked: amount },
        _ => SalesReason::CertificateSpent { left, asked: amount },
    };
    Err(Rejection::invalid("lines", reason).into())
}

/// Undoes what a sale did to certificates and deposits, or says which of them that it sold is spent.
pub(crate) async fn voided(
    tx: &mut Tx,
    sale: SaleId,
    (note, who): (&str, &str),
) -> Result<Option<NotVoidable>, CommandError> {
    let rows = sqlx::query(
        "SELECT e.account_id, a.kind, CAST(SUM(e.amount) AS BIGINT) AS amount FROM account_entry e \
         JOIN account a ON a.id = e.account_id WHERE e.sale_id = $1 GROUP BY e.account_id, a.kind ORDER BY e.account_id",
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
                return Ok(Some(match AccountKind::from_code(&row.try_get::<String, _>("kind")?) {
                    Some(AccountKind::Deposit) => NotVoidable::DepositSpent,
                    _ => NotVoidable::CertificateSpent,
                }));
            }
        } else {
            write::give(tx, account, undone).await?;
        }
        changes.push(Change { account, amount: undone, cause: Cause::Voided(sale) });
    }
    enter(tx, &changes, (note, who)).await?;
    Ok(None)
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
