//! Money that the shop holds for somebody: gift certificates, for whoever holds one, and deposits, for one customer. A
//! sale opens them, tenders spend them, and each change is an entry.

mod deposit_view;
mod deposits;
mod of_sales;
mod pending;
mod view;
mod write;

pub use deposit_view::{DepositView, Forfeited};
pub use deposits::{ForfeitDeposit, UsableDeposit};
pub use view::{CertificateEntry, CertificateOfSale, CertificateView};
pub use write::NewCertificate;

pub(crate) use deposit_view::wanted;
pub(crate) use deposits::{customer_of, owner_of, paid_by_deposits, refuse_without_deposit, usable};
pub(crate) use of_sales::{add_sold, enter, refunded, voided};
pub(crate) use pending::{refuse_bought_with_another, refuse_more_than_is_left};
pub(crate) use write::{
    AT_ITSELF, AT_TENDER, Cause, Change, NewAccount, Opens, add_entries, balance_of, refuse_without_number,
    spend, take_of_number,
};

use crate::people::activity_log::{self, Activity};
use crate::store::bundle::Bundle;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::settings::own_money;
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::certificate::CertificateNumber;
use domain::ids::AccountId;
use domain::money::Money;
use domain::text;
use serde::{Deserialize, Serialize};

/// Enters a gift certificate from before the shop's books were kept here. It gets a number like any other.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct BringInCertificate {
    /// Its new number, and whom it is for.
    pub certificate: NewCertificate,
    /// What is left on it.
    pub amount: Money,
    /// Such as the old number.
    pub note: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for BringInCertificate {
    type Answer = AccountId;

    async fn run(&self, tx: &mut Tx) -> Result<AccountId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let note = text::note(&self.note).field("note")?;
        own_money("amount", self.amount, tx.shop().currency)?;
        if self.amount.minor() <= 0 {
            return Err(Rejection::invalid("amount", SalesReason::CertificateOfNothing).into());
        }
        let certificate = self.certificate.filed(tx).await?;
        tx.lock_shop_state(0).await?;
        let mut bundle = Bundle::default();
        let new = [NewAccount::Certificate(&certificate, self.amount)];
        let account = write::add_new(tx, &new, (&note, &who), &mut bundle)?.remove(0);
        let change = Change { account, amount: self.amount, cause: Cause::BroughtIn };
        write::add_entries(tx, &[change], (&note, &who), &mut bundle)?;
        tx.write(bundle).await?;
        let detail = format!("{} brought in; {note}", self.amount.shown());
        activity_log::note(tx, &who, Activity::Certificate, &certificate.number.last_four(), &detail).await?;
        Ok(account)
    }
}

/// Gives a gift certificate another number: the old one was lost, or seen by others, and can no longer be spent.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RenumberCertificate {
    /// Which.
    pub account: AccountId,
    /// The new number.
    pub number: CertificateNumber,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for RenumberCertificate {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = text::name(&self.reason).field("reason")?;
        tx.lock_shop_state(0).await?;
        let old = number_of(tx, self.account).await?;
        sqlx::query("UPDATE account SET number = $2 WHERE id = $1")
            .bind(self.account.raw())
            .bind(self.number.to_string())
            .execute(tx.db())
            .await?;
        let detail = format!("now …{}; {reason}", self.number.last_four());
        activity_log::note(tx, &who, Activity::Certificate, &old.last_four(), &detail).await
    }
}

/// Ends a gift certificate: what is left on it is no longer owed.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndCertificate {
    /// Which.
    pub account: AccountId,
    /// What the page showed as left, which is what is ended.
    pub left: Money,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for EndCertificate {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = text::name(&self.reason).field("reason")?;
        own_money("left", self.left, tx.shop().currency)?;
        tx.lock_shop_state(0).await?;
        let number = number_of(tx, self.account).await?;
        let left = balance_of(tx, number).await?.ok_or_else(|| StorageError::impossible("no account"))?;
        if left != self.left {
            let reason = SalesReason::CertificateChanged { now: left, shown: self.left };
            return Err(Rejection::invalid("left", reason).into());
        }
        if left.is_zero() {
            return Err(Rejection::invalid("left", SalesReason::CertificateEmpty).into());
        }
        write::take(tx, self.account, left).await?;
        let change = Change { account: self.account, amount: left.negated(), cause: Cause::WrittenOff };
        of_sales::enter(tx, &[change], (&reason, &who)).await?;
        let detail = format!("{} ended; {reason}", left.shown());
        activity_log::note(tx, &who, Activity::Certificate, &number.last_four(), &detail).await
    }
}

async fn number_of(tx: &mut Tx, account: AccountId) -> Result<CertificateNumber, CommandError> {
    let row = sqlx::query("SELECT number FROM account WHERE id = $1 AND kind = 'gift-certificate'")
        .bind(account.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Certificate, account))?;
    view::stored_number(&row)
}
