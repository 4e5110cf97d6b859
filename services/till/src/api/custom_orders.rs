//! Custom orders.

pub(crate) mod by_id;
pub(crate) mod get;
pub(crate) mod post;

use ledger::sales::CustomOrderView;
use serde::Serialize;
use utoipa::ToSchema;

/// A piece that is made for one customer.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct CustomOrderShown {
    id: String,
    customer_id: String,
    /// The customer's name; empty once they are erased.
    customer: String,
    /// Null if the note says what is wanted.
    style: Option<String>,
    size: String,
    color: String,
    note: String,
    /// The day on which the customer is to have it.
    due: String,
    /// What it may cost; the piece's own price decides.
    estimate: Option<String>,
    /// open, made, collected or canceled.
    state: &'static str,
    /// The piece that was made for it.
    sku: Option<String>,
    /// The hold that keeps the piece for the customer; null if there is none.
    hold: Option<String>,
    /// The sale in which it was collected.
    sale: Option<String>,
    /// What is left of its deposits.
    deposits: String,
    /// Why it was canceled.
    reason: String,
    who: String,
    at: String,
}

impl From<CustomOrderView> for CustomOrderShown {
    fn from(order: CustomOrderView) -> Self {
        let hold = order.piece.as_ref().and_then(|piece| piece.hold);
        Self {
            id: order.id.to_string(),
            customer_id: order.customer.to_string(),
            customer: order.name,
            style: order.style,
            size: order.size,
            color: order.color,
            note: order.note,
            due: order.due.to_string(),
            estimate: order.estimate.map(|estimate| estimate.to_string()),
            state: order.state.code(),
            sku: order.piece.map(|piece| piece.sku),
            hold: hold.map(|hold| hold.to_string()),
            sale: order.sale.map(|(sale, _)| sale.to_string()),
            deposits: order.deposits.to_string(),
            reason: order.reason,
            who: order.who,
            at: order.taken.to_string(),
        }
    }
}
