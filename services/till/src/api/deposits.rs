//! Deposits.

pub(crate) mod by_id;
pub(crate) mod get;

use ledger::sales::DepositView;
use serde::Serialize;
use utoipa::ToSchema;

/// What a customer paid toward something that is held or made for them.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct DepositShown {
    id: String,
    /// Null for a name that was only typed for a hold.
    customer_id: Option<String>,
    /// Empty once they are erased.
    customer: String,
    /// The hold that it is for; null if it is for a custom order.
    hold: Option<String>,
    /// The custom order that it is for; null if it is for a hold.
    custom_order: Option<String>,
    /// Whether what it is for has ended.
    ended: bool,
    /// What is left of it.
    balance: String,
    /// The sale in which it was taken.
    sale: String,
    /// The line of that sale, by which it is refunded.
    line: String,
    who: String,
    at: String,
}

impl From<DepositView> for DepositShown {
    fn from(deposit: DepositView) -> Self {
        Self {
            id: deposit.id.to_string(),
            customer_id: deposit.on_file.map(|id| id.to_string()),
            customer: deposit.customer,
            hold: deposit.of.hold().map(|hold| hold.to_string()),
            custom_order: deposit.of.order().map(|order| order.to_string()),
            ended: deposit.is_over,
            balance: deposit.balance.to_string(),
            sale: deposit.sale.to_string(),
            line: deposit.line.to_string(),
            who: deposit.who,
            at: deposit.taken.to_string(),
        }
    }
}
