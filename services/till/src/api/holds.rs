//! Holds: stock that is reserved.

pub(crate) mod delete;
pub(crate) mod get;
pub(crate) mod post;

use crate::api::shown;
use ledger::shelf::{HeldLine, Hold};
use serde::Serialize;
use utoipa::ToSchema;

/// Lines that are held together.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct HoldShown {
    /// The identifier for a sale, or for ending the hold.
    id: String,
    /// basket, customer, market or order.
    #[serde(rename = "for")]
    purpose: &'static str,
    for_whom: String,
    /// The customer, if they are on file.
    customer_id: Option<String>,
    /// When it ends; null if it has no end.
    until: Option<String>,
    lines: Vec<HeldLineShown>,
}

/// A line on hold.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct HeldLineShown {
    sku: String,
    name: String,
    quantity: String,
    /// The unit of goods by weight.
    unit_code: Option<&'static str>,
}

impl From<Hold> for HoldShown {
    fn from(hold: Hold) -> Self {
        Self {
            id: hold.id.to_string(),
            purpose: hold.purpose.code(),
            for_whom: hold.for_whom,
            customer_id: hold.customer.map(|id| id.to_string()),
            until: hold.until.map(|u| u.to_string()),
            lines: hold.lines.into_iter().map(HeldLineShown::from).collect(),
        }
    }
}

impl From<HeldLine> for HeldLineShown {
    fn from(line: HeldLine) -> Self {
        Self {
            sku: line.sku,
            name: line.title,
            quantity: shown::quantity(line.quantity),
            unit_code: shown::unit_code(line.quantity.measure()),
        }
    }
}
