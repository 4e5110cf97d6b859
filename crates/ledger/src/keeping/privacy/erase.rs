//! Erases one person's data. The books keep their sums: they only refer to the person's row, which is emptied.

use crate::customers::{erase, person_data};
use crate::people::activity_log::{self, Activity};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{CustomersReason, Rejection, Thing};
use crate::store::sql::{in_text, padded};
use async_trait::async_trait;
use domain::ids::CustomerId;
use domain::money::Money;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

/// Rows in one statement.
const AT_ONCE: usize = 128;

/// Erases a customer's data, that of orders with their e-mail address, and names that were typed exactly like theirs.
/// Refused while they owe money, goods are on hold or made for them, something of their deposits is left, or a line of an
/// order of theirs waits.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EraseCustomer {
    /// Which.
    pub customer: CustomerId,
    /// Who erases it.
    pub who: String,
}

#[async_trait]
impl Command for EraseCustomer {
    type Answer = ();

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let on_file = sqlx::query("SELECT id FROM customer WHERE id = $1").bind(self.customer.raw());
        if on_file.fetch_optional(tx.db()).await?.is_none() {
            return Err(Rejection::no_such(Thing::Customer, self.customer).into());
        }
        // Whoever sells to them or holds for them locks the row first, so what is read below stays so.
        if !person_data::lock(tx, self.customer).await? {
            return Err(Rejection::invalid("customer", CustomersReason::NotThere).into());
        }
        let others = person_data::same_person(tx.db(), self.customer).await?;
        person_data::lock_rows(tx, &others).await?;
        let all: Vec<i64> = others.iter().copied().chain([self.customer.raw()]).collect();
        for rows in all.chunks(AT_ONCE) {
            refuse_open(tx, rows).await?;
        }
        person_data::blank(tx, &others).await?;
        erase::empty(tx, self.customer).await?;
        activity_log::note_customer(tx, &who, Activity::CustomerErased, self.customer, "").await
    }
}

/// Rejects if something between the shop and this person is not settled.
async fn refuse_open(tx: &mut Tx, people: &[i64]) -> Result<(), CommandError> {
    const OWED: &str = "SELECT CAST(COALESCE(SUM(o.amount - o.paid), 0) AS BIGINT) AS owed FROM open_balance o \
        WHERE o.paid < o.amount AND NOT EXISTS (SELECT 1 FROM sale_void v WHERE v.sale_id = o.sale_id) AND o.customer_id";
    const HELD: &str =
        "SELECT id FROM hold WHERE state = 'open' AND (until_ms IS NULL OR until_ms > $1) AND customer_id";
    const WAITS: &str = "SELECT o.number FROM customer_order o WHERE EXISTS (SELECT 1 FROM order_line l \
        WHERE l.order_id = o.id AND l.state IN ('short', 'held')) AND o.customer_id";
    const MADE: &str = "SELECT id FROM custom_order WHERE state IN ('open', 'made') AND customer_id";
    const DEPOSITS: &str = "SELECT CAST(COALESCE(SUM(balance), 0) AS BIGINT) AS balance FROM account \
        WHERE kind = 'deposit' AND customer_id";
    let now = tx.now().millis();
    if let Some(row) = first(tx, OWED, None, people, "").await? {
        let owed = Money::from_minor(row.try_get("owed")?, tx.shop().currency).stored("open_balance")?;
        if !owed.is_zero() {
            return Err(Rejection::invalid("customer", CustomersReason::OwesMoney { owed }).into());
        }
    }
    if let Some(row) = first(tx, DEPOSITS, None, people, "").await? {
        let left =
            Money::from_minor(row.try_get("balance")?, tx.shop().currency).stored("account.balance")?;
        if !left.is_zero() {
            return Err(Rejection::invalid("customer", CustomersReason::HasDeposit { left }).into());
        }
    }
    if first(tx, MADE, None, people, "LIMIT 1").await?.is_some() {
        return Err(Rejection::invalid("customer", CustomersReason::HasCustomOrder).into());
    }
    if first(tx, HELD, Some(now), people, "LIMIT 1").await?.is_some() {
        return Err(Rejection::invalid("customer", CustomersReason::HasHolds).into());
    }
    if let Some(row) = first(tx, WAITS, None, people, "LIMIT 1").await? {
        let number = row.try_get("number")?;
        return Err(Rejection::invalid("customer", CustomersReason::OrderWaits { number }).into());
    }
    Ok(())
}

async fn first(
    tx: &mut Tx,
    head: &str,
    before: Option<i64>,
    people: &[i64],
    tail: &str,
) -> Result<Option<AnyRow>, CommandError> {
    let place = if before.is_some() { 2 } else { 1 };
    let mut statement = sqlx::query(AssertSqlSafe(in_text(head, place, people.len(), tail)));
    if let Some(value) = before {
        statement = statement.bind(value);
    }
    for id in padded(people) {
        statement = statement.bind(id);
    }
    Ok(statement.fetch_optional(tx.db()).await?)
}
