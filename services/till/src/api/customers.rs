//! Customers: how they can be reached, and the terms on which they buy.

pub(crate) mod by_id;
pub(crate) mod get;
pub(crate) mod post;

use domain::customer::{Contact, Terms};
use ledger::customers::{CustomerState, CustomerSummary, CustomerView};
use serde::Serialize;
use utoipa::ToSchema;

/// The terms on which a customer buys.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct TermsShown {
    wholesale: bool,
    /// The number of a tax exemption's certificate; null without an exemption.
    certificate: Option<String>,
    /// The last day on which the certificate must be kept.
    keep_until: Option<String>,
    /// In percent; null for none.
    default_discount: Option<String>,
}

impl From<Terms> for TermsShown {
    fn from(terms: Terms) -> Self {
        let (certificate, keep_until) =
            terms.exemption.map(|e| (e.certificate, e.keep_until.to_string())).unzip();
        Self {
            wholesale: terms.wholesale,
            certificate,
            keep_until,
            default_discount: terms.discount.map(|discount| discount.to_string()),
        }
    }
}

/// A customer in a list.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct CustomerRowShown {
    id: String,
    name: String,
    email: String,
    telephone: String,
    terms: TermsShown,
}

impl From<CustomerSummary> for CustomerRowShown {
    fn from(customer: CustomerSummary) -> Self {
        Self {
            id: customer.id.to_string(),
            name: customer.name,
            email: customer.email,
            telephone: customer.phone,
            terms: customer.terms.into(),
        }
    }
}

/// A customer. One who was erased has neither a name nor anything else of theirs.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct CustomerShown {
    id: String,
    revision: String,
    /// Empty if erased.
    name: String,
    email: String,
    telephone: String,
    note: String,
    terms: TermsShown,
    /// When the data was erased; null if it was not.
    erased_at: Option<String>,
}

impl From<CustomerView> for CustomerShown {
    fn from(customer: CustomerView) -> Self {
        let Contact { name, email, phone, note } = customer.contact;
        let erased_at = match customer.state {
            CustomerState::OnFile => None,
            CustomerState::Erased { at, .. } => Some(at.to_string()),
        };
        Self {
            id: customer.id.to_string(),
            revision: customer.revision.to_string(),
            name,
            email,
            telephone: phone,
            note,
            terms: customer.terms.into(),
            erased_at,
        }
    }
}
