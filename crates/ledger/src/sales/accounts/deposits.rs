//! Deposits: what a customer paid toward something that is on hold or made for them. A deposit pays for nothing else and
//! for nobody else.

use super::of_sales;
use super::write::{self, Cause, Change};
use crate::people::activity_log::{self, Activity};
use crate::sales::booking::Draft;
use crate::sales::ring_up::SaleLineIn;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::settings::own_money;
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::account::DepositFor;
use domain::basket::TenderKind;
use domain::custom_order::CustomOrderState;
use domain::ids::{AccountId, CustomOrderId, CustomerId, HoldGroupId, ItemId, SaleId};
use domain::money::{Currency, Money};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};
use std::collections::BTreeMap;

/// Where a rejection says that the deposit which pays is wrong.
const AT_TENDER: &str = "tenders.deposit";

/// A deposit that can pay for something in a sale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UsableDeposit {
    /// The deposit.
    pub id: AccountId,
    /// What is left of it.
    pub left: Money,
}

/// Ends a deposit that the customer lost: what is left is the shop's other income from today.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ForfeitDeposit {
    /// Which.
    pub deposit: AccountId,
    /// What the page showed as left, which is what is forfeited.
    pub left: Money,
    /// Why.
    pub reason: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for ForfeitDeposit {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let reason = text::name(&self.reason).field("reason")?;
        let currency = tx.shop().currency;
        own_money("left", self.left, currency)?;
        tx.lock_shop_state(0).await?;
        let stored = read(tx.db(), self.deposit, currency).await?;
        let left = stored.ok_or_else(|| Rejection::no_such(Thing::Deposit, self.deposit))?.left;
        if left != self.left {
            let reason = SalesReason::DepositChanged { now: left, shown: self.left };
            return Err(Rejection::invalid("left", reason).into());
        }
        if left.is_zero() {
            return Err(Rejection::invalid("left", SalesReason::DepositEmpty).into());
        }
        if !write::take(tx, self.deposit, left).await? {
            return Err(StorageError::Collided(sqlx::Error::RowNotFound).into());
        }
        let change = Change { account: self.deposit, amount: left.negated(), cause: Cause::Forfeited };
        of_sales::enter(tx, &[change], (&reason, &who)).await?;
        let detail = format!("{} forfeited; {reason}", left.shown());
        activity_log::note(tx, &who, Activity::Deposit, &self.deposit.to_string(), &detail).await
    }
}

/// A deposit, as its row says.
struct DepositRow {
    customer: CustomerId,
    of: DepositFor,
    left: Money,
}

async fn read(
    connection: &mut AnyConnection,
    id: AccountId,
    currency: Currency,
) -> Result<Option<DepositRow>, CommandError> {
    let row = sqlx::query(
        "SELECT customer_id, hold_group, custom_order, balance FROM account WHERE id = $1 AND kind = 'deposit'",
    )
    .bind(id.raw())
    .fetch_optional(connection)
    .await?;
    let Some(row) = row else { return Ok(None) };
    Ok(Some(DepositRow {
        customer: CustomerId::from_raw(row.try_get("customer_id")?),
        of: stored_for(&row)?,
        left: Money::from_minor(row.try_get("balance")?, currency).stored("account.balance")?,
    }))
}

/// What a deposit is for, from the columns `hold_group` and `custom_order`.
pub(super) fn stored_for(row: &AnyRow) -> Result<DepositFor, CommandError> {
    let hold: Option<i64> = row.try_get("hold_group")?;
    let order: Option<i64> = row.try_get("custom_order")?;
    match (hold, order) {
        (Some(hold), None) => Ok(DepositFor::Hold(HoldGroupId::from_raw(hold))),
        (None, Some(order)) => Ok(DepositFor::Order(CustomOrderId::from_raw(order))),
        _ => Err(StorageError::impossible("a deposit for nothing, or for two things").into()),
    }
}

/// Whom a sale is for: the customer of the deposits that are taken in it, if there are any.
pub(crate) async fn customer_of(
    tx: &mut Tx,
    lines: &[SaleLineIn],
    customer: Option<CustomerId>,
) -> Result<Option<CustomerId>, CommandError> {
    let mut customer = customer;
    for line in lines {
        let SaleLineIn::Deposit { of, .. } = line else { continue };
        let owner = owner_of(tx, *of).await?;
        if customer.is_some_and(|own| own != owner) {
            return Err(Rejection::invalid("lines", SalesReason::DepositOfAnother).into());
        }
        customer = Some(owner);
    }
    Ok(customer)
}

/// The customer of a hold or a custom order for which a deposit can be taken.
pub(crate) async fn owner_of(tx: &mut Tx, of: DepositFor) -> Result<CustomerId, CommandError> {
    let (owner, is_open) = match of {
        DepositFor::Hold(hold) => {
            let row = sqlx::query(
                "SELECT CAST(MAX(CASE WHEN purpose = 'customer' THEN customer_id END) AS BIGINT) AS customer_id, \
                 CAST(COUNT(*) AS BIGINT) AS lines, \
                 CAST(COUNT(CASE WHEN state = 'open' THEN 1 END) AS BIGINT) AS open_lines FROM hold WHERE group_id = $1",
            )
            .bind(hold.raw())
            .fetch_one(tx.db())
            .await?;
            if row.try_get::<i64, _>("lines")? == 0 {
                return Err(Rejection::no_such(Thing::Hold, hold).into());
            }
            (row.try_get::<Option<i64>, _>("customer_id")?, row.try_get::<i64, _>("open_lines")? > 0)
        }
        DepositFor::Order(order) => {
            let row = sqlx::query("SELECT customer_id, state FROM custom_order WHERE id = $1")
                .bind(order.raw())
                .fetch_optional(tx.db())
                .await?
                .ok_or_else(|| Rejection::no_such(Thing::CustomOrder, order))?;
            let state = CustomOrderState::from_code(&row.try_get::<String, _>("state")?);
            (Some(row.try_get("customer_id")?), state.is_some_and(CustomOrderState::is_open))
        }
    };
    let owner = owner.ok_or_else(|| Rejection::invalid("lines", SalesReason::DepositNeedsCustomer))?;
    if !is_open {
        return Err(Rejection::invalid("lines", SalesReason::DepositForEnded).into());
    }
    Ok(CustomerId::from_raw(owner))
}

/// A deposit that pays must be named; nothing else names one.
pub(crate) fn refuse_without_deposit(kind: TenderKind, deposit: Option<AccountId>) -> Result<(), Rejection> {
    match (kind == TenderKind::Deposit, deposit) {
        (true, None) => Err(Rejection::invalid(AT_TENDER, SalesReason::DepositNeeded)),
        (false, Some(_)) => Err(Rejection::invalid(AT_TENDER, SalesReason::DepositNotUsed)),
        (true, Some(_)) | (false, None) => Ok(()),
    }
}

/// Refuses a deposit that cannot pay so much of a sale to this customer, of these items.
pub(super) async fn refuse_unusable(
    tx: &mut Tx,
    deposit: AccountId,
    asked: Money,
    (customer, items): (Option<CustomerId>, &[ItemId]),
) -> Result<(), CommandError> {
    let stored = read(tx.db(), deposit, asked.currency()).await?;
    let stored = stored.ok_or_else(|| Rejection::no_such(Thing::Deposit, deposit))?;
    let reason = if customer != Some(stored.customer) {
        SalesReason::DepositOfAnother
    } else if !is_for(tx.db(), stored.of, items).await? {
        SalesReason::DepositForOther
    } else if stored.left.minor() < asked.minor() {
        SalesReason::DepositShort { left: stored.left, asked }
    } else {
        return Ok(());
    };
    Err(Rejection::invalid(AT_TENDER, reason).into())
}

/// Takes what a deposit pays of a sale, or nothing.
pub(super) async fn spend(
    tx: &mut Tx,
    deposit: AccountId,
    amount: Money,
    draft: &Draft,
) -> Result<(), CommandError> {
    let items: Vec<ItemId> = draft.lines.iter().filter_map(|line| line.item).collect();
    refuse_unusable(tx, deposit, amount, (draft.party.customer, &items)).await?;
    if write::take(tx, deposit, amount).await? {
        return Ok(());
    }
    // Somebody else was quicker since it was read.
    let left = read(tx.db(), deposit, amount.currency()).await?.map(|stored| stored.left);
    let left = left.unwrap_or(Money::zero(amount.currency()));
    Err(Rejection::invalid(AT_TENDER, SalesReason::DepositShort { left, asked: amount }).into())
}

/// Whether a sale of these items has something that the deposit is for.
async fn is_for(
    connection: &mut AnyConnection,
    of: DepositFor,
    items: &[ItemId],
) -> Result<bool, CommandError> {
    let rows = match of {
        DepositFor::Hold(hold) => {
            sqlx::query("SELECT item_id FROM hold WHERE group_id = $1")
                .bind(hold.raw())
                .fetch_all(connection)
                .await?
        }
        DepositFor::Order(order) => {
            sqlx::query("SELECT item_id FROM custom_order WHERE id = $1")
                .bind(order.raw())
                .fetch_all(connection)
                .await?
        }
    };
    for row in &rows {
        let item = row.try_get::<Option<i64>, _>("item_id")?.map(ItemId::from_raw);
        if item.is_some_and(|item| items.contains(&item)) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// The deposits of a customer that can pay for one of these items, oldest first.
pub(crate) async fn usable(
    connection: &mut AnyConnection,
    customer: CustomerId,
    items: &[ItemId],
    currency: Currency,
) -> Result<Vec<UsableDeposit>, CommandError> {
    let rows = sqlx::query(
        "SELECT id, hold_group, custom_order, balance FROM account \
         WHERE customer_id = $1 AND kind = 'deposit' AND balance > 0 ORDER BY id",
    )
    .bind(customer.raw())
    .fetch_all(&mut *connection)
    .await?;
    let mut usable = Vec::new();
    for row in &rows {
        if is_for(connection, stored_for(row)?, items).await? {
            let left = Money::from_minor(row.try_get("balance")?, currency).stored("account.balance")?;
            usable.push(UsableDeposit { id: AccountId::from_raw(row.try_get("id")?), left });
        }
    }
    Ok(usable)
}

/// The deposits that paid for a sale, each with what it paid and did not get back yet, the first one first.
async fn that_paid(tx: &mut Tx, sale: SaleId) -> Result<Vec<(AccountId, Money)>, CommandError> {
    const SPENT: &str = "SELECT e.account_id, e.amount FROM account_entry e JOIN account a ON a.id = e.account_id \
        WHERE e.sale_id = $1 AND e.reason = 'spent' AND a.kind = 'deposit'";
    const GIVEN_BACK: &str = "SELECT e.account_id, e.amount FROM refund r JOIN account_entry e ON e.refund_id = r.id \
        JOIN account a ON a.id = e.account_id WHERE r.sale_id = $1 AND e.reason = 'refund' AND a.kind = 'deposit'";
    let mut paid: BTreeMap<AccountId, i64> = BTreeMap::new();
    for text in [SPENT, GIVEN_BACK] {
        for row in sqlx::query(text).bind(sale.raw()).fetch_all(tx.db()).await? {
            let account = AccountId::from_raw(row.try_get("account_id")?);
            *paid.entry(account).or_default() -= row.try_get::<i64, _>("amount")?;
        }
    }
    let currency = tx.shop().currency;
    let money =
        |(account, minor)| Ok((account, Money::from_minor(minor, currency).stored("account_entry.amount")?));
    paid.into_iter().map(money).collect()
}

/// What deposits paid of a sale and did not get back yet. The sale's row is ours, so no other refund comes in between.
pub(crate) async fn paid_by_deposits(tx: &mut Tx, sale: SaleId) -> Result<Money, CommandError> {
    let currency = tx.shop().currency;
    let paid = that_paid(tx, sale).await?;
    Money::sum(paid.into_iter().map(|(_, amount)| amount), currency).stored("account_entry.amount")
}

/// Gives what is refunded of a sale back to the deposits that paid for it, never more than they paid.
pub(super) async fn give_back(
    tx: &mut Tx,
    sale: SaleId,
    amount: Money,
) -> Result<Vec<(AccountId, Money)>, CommandError> {
    let mut given = Vec::new();
    let mut left = amount.minor();
    if left == 0 {
        return Ok(given);
    }
    let mut paid = 0;
    for (deposit, most) in that_paid(tx, sale).await? {
        paid += most.minor();
        let part = Money::from_minor(most.minor().min(left), amount.currency()).field("tender")?;
        if part.is_zero() {
            continue;
        }
        write::give(tx, deposit, part).await?;
        left -= part.minor();
        given.push((deposit, part));
    }
    if left == 0 {
        return Ok(given);
    }
    let paid = Money::from_minor(paid, amount.currency()).field("tender")?;
    Err(Rejection::invalid("tender", SalesReason::DepositReturned { paid, asked: amount }).into())
}
