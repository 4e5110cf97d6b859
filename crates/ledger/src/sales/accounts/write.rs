//! Changes what accounts are worth. Whoever calls this has locked the shop's row, so that two sales never wait for each
//! other's accounts; the conditional update alone guarantees that nothing is spent twice.

use super::deposits;
use crate::customers::person_data;
use crate::sales::booking::Draft;
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::tables;
use domain::account::{AccountKind, AccountReason, DepositFor};
use domain::basket::TenderKind;
use domain::certificate::CertificateNumber;
use domain::ids::{AccountId, CustomOrderId, CustomerId, HoldGroupId, RefundId, SaleId, SaleLineId};
use domain::money::Money;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Where a rejection says that a certificate is wrong: at a sale's payment, or at the one that is asked for.
pub(crate) const AT_TENDER: &str = "tenders.certificate";
pub(crate) const AT_ITSELF: &str = "certificate";

/// A gift certificate to be issued.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NewCertificate {
    /// Drawn by the caller: nothing here is random.
    pub number: CertificateNumber,
    /// Whom it is for, as typed; may be empty, because whoever knows the number can spend it.
    pub holder: String,
    /// Whom it is for, if they are known.
    #[serde(default)]
    pub on_file: Option<CustomerId>,
}

impl NewCertificate {
    /// For whoever is given the number.
    pub fn for_anybody(number: CertificateNumber) -> Self {
        Self { number, holder: String::new(), on_file: None }
    }

    /// With a row of personal data for a name that was typed.
    pub(crate) async fn filed(&self, tx: &mut Tx) -> Result<Self, CommandError> {
        let typed = text::short(&self.holder).field("holder")?;
        let on_file = match self.on_file {
            None if !typed.is_empty() => Some(person_data::insert_name(tx, &typed).await?),
            known => known,
        };
        Ok(Self { number: self.number, holder: String::new(), on_file })
    }
}

/// What a line of a sale sells that is spent later.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Opens {
    Certificate(NewCertificate),
    /// Of the sale's own customer.
    Deposit(DepositFor),
}

/// An account to be opened, with its first balance.
#[derive(Clone, Copy, Debug)]
pub(crate) enum NewAccount<'a> {
    Certificate(&'a NewCertificate, Money),
    Deposit(CustomerId, DepositFor, Money),
}

impl NewAccount<'_> {
    fn kind(self) -> AccountKind {
        match self {
            Self::Certificate(..) => AccountKind::GiftCertificate,
            Self::Deposit(..) => AccountKind::Deposit,
        }
    }

    fn number(self) -> Option<String> {
        match self {
            Self::Certificate(certificate, _) => Some(certificate.number.to_string()),
            Self::Deposit(..) => None,
        }
    }

    fn customer(self) -> Option<CustomerId> {
        match self {
            Self::Certificate(certificate, _) => certificate.on_file,
            Self::Deposit(customer, ..) => Some(customer),
        }
    }

    fn of(self) -> Option<DepositFor> {
        match self {
            Self::Certificate(..) => None,
            Self::Deposit(_, of, _) => Some(of),
        }
    }

    fn balance(self) -> Money {
        match self {
            Self::Certificate(_, amount) | Self::Deposit(.., amount) => amount,
        }
    }
}

/// What changed a balance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cause {
    Sold(SaleId, SaleLineId),
    Spent(SaleId),
    Voided(SaleId),
    Refund(RefundId),
    Returned(RefundId, SaleLineId),
    BroughtIn,
    WrittenOff,
    Forfeited,
}

impl Cause {
    fn reason(self) -> AccountReason {
        match self {
            Self::Sold(..) => AccountReason::Sold,
            Self::Spent(_) => AccountReason::Spent,
            Self::Voided(_) => AccountReason::Voided,
            Self::Refund(_) => AccountReason::Refund,
            Self::Returned(..) => AccountReason::Returned,
            Self::BroughtIn => AccountReason::BroughtIn,
            Self::WrittenOff => AccountReason::WrittenOff,
            Self::Forfeited => AccountReason::Forfeited,
        }
    }

    fn sale(self) -> Option<SaleId> {
        match self {
            Self::Sold(sale, _) | Self::Spent(sale) | Self::Voided(sale) => Some(sale),
            Self::Refund(_) | Self::Returned(..) | Self::BroughtIn | Self::WrittenOff | Self::Forfeited => {
                None
            }
        }
    }

    fn line(self) -> Option<SaleLineId> {
        match self {
            Self::Sold(_, line) | Self::Returned(_, line) => Some(line),
            _ => None,
        }
    }

    fn refund(self) -> Option<RefundId> {
        match self {
            Self::Refund(refund) | Self::Returned(refund, _) => Some(refund),
            _ => None,
        }
    }
}

/// A change that was made, still to be entered. Below 0 it was taken.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Change {
    pub(crate) account: AccountId,
    pub(crate) amount: Money,
    pub(crate) cause: Cause,
}

/// Takes what certificates and deposits pay of a sale.
pub(crate) async fn spend(tx: &mut Tx, draft: &Draft) -> Result<Vec<Change>, CommandError> {
    let mut changes = Vec::new();
    for tender in draft.tenders.iter().filter(|tender| !tender.amount.is_zero()) {
        let account = match (tender.certificate, tender.deposit) {
            (Some(number), _) => take_of_number(tx, AT_TENDER, number, tender.amount).await?,
            (None, Some(deposit)) => {
                deposits::spend(tx, deposit, tender.amount, draft).await?;
                deposit
            }
            (None, None) => continue,
        };
        changes.push(Change { account, amount: tender.amount.negated(), cause: Cause::Spent(draft.id) });
    }
    Ok(changes)
}

/// A gift certificate that pays, or is paid back on, must be named; nothing else names one.
pub(crate) fn refuse_without_number(
    at: &str,
    kind: TenderKind,
    number: Option<CertificateNumber>,
) -> Result<(), Rejection> {
    match (kind == TenderKind::GiftCertificate, number) {
        (true, None) => Err(Rejection::invalid(at, SalesReason::CertificateNeeded)),
        (false, Some(_)) => Err(Rejection::invalid(at, SalesReason::CertificateNotUsed)),
        (true, Some(_)) | (false, None) => Ok(()),
    }
}

/// Takes so much of the certificate with this number, or nothing.
pub(crate) async fn take_of_number(
    tx: &mut Tx,
    at: &str,
    number: CertificateNumber,
    amount: Money,
) -> Result<AccountId, CommandError> {
    let taken = sqlx::query(
        "UPDATE account SET balance = balance - $2 WHERE number = $1 AND balance >= $2 RETURNING id",
    )
    .bind(number.to_string())
    .bind(amount.minor())
    .fetch_optional(tx.db())
    .await?;
    match taken {
        Some(row) => Ok(AccountId::from_raw(row.try_get("id")?)),
        None => Err(refuse_more_than_left(tx, at, number, amount).await?.into()),
    }
}

/// What is left on the certificate with this number.
pub(crate) async fn balance_of(
    tx: &mut Tx,
    number: CertificateNumber,
) -> Result<Option<Money>, CommandError> {
    let currency = tx.shop().currency;
    let row = sqlx::query("SELECT balance FROM account WHERE number = $1")
        .bind(number.to_string())
        .fetch_optional(tx.db())
        .await?;
    row.map(|row| Money::from_minor(row.try_get("balance")?, currency).stored("account.balance")).transpose()
}

async fn refuse_more_than_left(
    tx: &mut Tx,
    at: &str,
    number: CertificateNumber,
    asked: Money,
) -> Result<Rejection, CommandError> {
    let last_four = number.last_four();
    Ok(match balance_of(tx, number).await? {
        None => Rejection::invalid(at, SalesReason::CertificateUnknown { last_four }),
        Some(left) => Rejection::invalid(at, SalesReason::CertificateShort { last_four, left, asked }),
    })
}

/// Takes all of `amount`; false if less is left.
pub(crate) async fn take(tx: &mut Tx, account: AccountId, amount: Money) -> Result<bool, CommandError> {
    let done = sqlx::query("UPDATE account SET balance = balance - $2 WHERE id = $1 AND balance >= $2")
        .bind(account.raw())
        .bind(amount.minor())
        .execute(tx.db())
        .await?;
    Ok(done.rows_affected() == 1)
}

pub(crate) async fn give(tx: &mut Tx, account: AccountId, amount: Money) -> Result<(), CommandError> {
    let done = sqlx::query("UPDATE account SET balance = balance + $2 WHERE id = $1")
        .bind(account.raw())
        .bind(amount.minor())
        .execute(tx.db())
        .await?;
    if done.rows_affected() == 1 {
        return Ok(());
    }
    Err(Rejection::no_such(Thing::Certificate, account).into())
}

/// Adds money to the certificate with this number, or issues it.
pub(crate) async fn give_to_number(
    tx: &mut Tx,
    number: CertificateNumber,
    amount: Money,
    who: &str,
) -> Result<AccountId, CommandError> {
    let given = sqlx::query("UPDATE account SET balance = balance + $2 WHERE number = $1 RETURNING id")
        .bind(number.to_string())
        .bind(amount.minor())
        .fetch_optional(tx.db())
        .await?;
    if let Some(row) = given {
        return Ok(AccountId::from_raw(row.try_get("id")?));
    }
    let mut bundle = Bundle::default();
    let new = NewCertificate::for_anybody(number);
    let new = [NewAccount::Certificate(&new, amount)];
    let account = add_new(tx, &new, ("", who), &mut bundle)?.remove(0);
    tx.write(bundle).await?;
    Ok(account)
}

/// Adds the rows of new accounts to a bundle.
pub(crate) fn add_new(
    tx: &Tx,
    new: &[NewAccount<'_>],
    (note, who): (&str, &str),
    bundle: &mut Bundle,
) -> Result<Vec<AccountId>, CommandError> {
    let mut rows = Vec::with_capacity(new.len());
    for account in new {
        rows.push((tx.next_id()?, *account));
    }
    let opened = tx.now().millis();
    bundle.insert(&tables::ACCOUNT, "", &rows, |statement, (id, account)| {
        statement
            .bind(*id)
            .bind(account.kind().code().to_owned())
            .bind(account.number())
            .bind(account.customer().map(CustomerId::raw))
            .bind(account.balance().minor())
            .bind(note.to_owned())
            .bind(who.to_owned())
            .bind(opened)
            .bind(account.of().and_then(DepositFor::hold).map(HoldGroupId::raw))
            .bind(account.of().and_then(DepositFor::order).map(CustomOrderId::raw))
    });
    Ok(rows.into_iter().map(|(id, ..)| AccountId::from_raw(id)).collect())
}

/// Adds the entries of changes to a bundle, after the rows that they refer to.
pub(crate) fn add_entries(
    tx: &Tx,
    changes: &[Change],
    (note, who): (&str, &str),
    bundle: &mut Bundle,
) -> Result<(), CommandError> {
    let mut rows = Vec::with_capacity(changes.len());
    for change in changes {
        rows.push((tx.next_id()?, *change));
    }
    let at = tx.now().millis();
    bundle.insert(&tables::ACCOUNT_ENTRY, "", &rows, |statement, (id, change)| {
        statement
            .bind(*id)
            .bind(change.account.raw())
            .bind(change.cause.reason().code().to_owned())
            .bind(change.amount.minor())
            .bind(change.cause.sale().map(SaleId::raw))
            .bind(change.cause.line().map(SaleLineId::raw))
            .bind(change.cause.refund().map(RefundId::raw))
            .bind(note.to_owned())
            .bind(who.to_owned())
            .bind(at)
    });
    Ok(())
}
