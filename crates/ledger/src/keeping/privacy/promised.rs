//! What was promised to a customer and not sold yet: deposits and custom orders, in their own words.

use super::export::time;
use super::history::all_of;
use crate::store::error::{CommandError, Stored};
use domain::day::Day;
use domain::money::{Currency, Money};
use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

/// A deposit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedDeposit {
    /// When it was taken.
    pub date: String,
    /// hold or custom-order.
    pub paid_for: String,
    /// How much was paid.
    pub amount: String,
    /// What is left of it.
    pub balance: String,
}

/// A custom order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct ExportedCustomOrder {
    /// When it was taken.
    pub date: String,
    /// When the customer is to have it.
    pub due: String,
    /// The name of the style; may be empty.
    pub style: String,
    /// May be empty.
    pub size: String,
    /// May be empty.
    pub color: String,
    /// Words.
    pub note: String,
    /// What it may cost.
    pub estimate: Option<String>,
    /// open, made, collected or canceled.
    pub state: String,
    /// Why it was canceled.
    pub reason: String,
}

pub(super) async fn deposits(
    snapshot: &mut AnyConnection,
    people: &[i64],
    currency: Currency,
) -> Result<Vec<ExportedDeposit>, CommandError> {
    const PAID: &str = "SELECT a.opened_ms, a.hold_group, a.balance, e.amount FROM account a \
        JOIN account_entry e ON e.account_id = a.id AND e.reason = 'sold' \
        WHERE a.kind = 'deposit' AND a.customer_id";
    let rows = all_of(snapshot, PAID, people, "ORDER BY a.id").await?;
    let deposit = |row: &AnyRow| {
        let money =
            |column: &str| Money::from_minor(row.try_get(column)?, currency).stored("account.balance");
        let is_hold = row.try_get::<Option<i64>, _>("hold_group")?.is_some();
        Ok(ExportedDeposit {
            date: time(row, "opened_ms")?,
            paid_for: if is_hold { "hold" } else { "custom-order" }.to_owned(),
            amount: money("amount")?.to_string(),
            balance: money("balance")?.to_string(),
        })
    };
    rows.iter().map(deposit).collect()
}

pub(super) async fn orders(
    snapshot: &mut AnyConnection,
    people: &[i64],
    currency: Currency,
) -> Result<Vec<ExportedCustomOrder>, CommandError> {
    const MADE: &str = "SELECT o.made_ms, o.due_day, y.name AS style, o.size, o.color, o.note, o.estimate, o.state, o.reason \
        FROM custom_order o LEFT JOIN style y ON y.id = o.style_id WHERE o.customer_id";
    let rows = all_of(snapshot, MADE, people, "ORDER BY o.id").await?;
    let order = |row: &AnyRow| {
        let estimate: Option<i64> = row.try_get("estimate")?;
        let estimate = estimate.map(|minor| Money::from_minor(minor, currency)).transpose();
        Ok(ExportedCustomOrder {
            date: time(row, "made_ms")?,
            due: Day::from_number(row.try_get("due_day")?).to_string(),
            style: row.try_get::<Option<String>, _>("style")?.unwrap_or_default(),
            size: row.try_get("size")?,
            color: row.try_get("color")?,
            note: row.try_get("note")?,
            estimate: estimate.stored("custom_order.estimate")?.map(|estimate| estimate.to_string()),
            state: row.try_get("state")?,
            reason: row.try_get("reason")?,
        })
    };
    rows.iter().map(order).collect()
}
