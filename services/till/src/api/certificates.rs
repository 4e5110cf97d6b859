//! Gift certificates.

pub(crate) mod by_id;
pub(crate) mod get;
pub(crate) mod post;

use domain::account::AccountReason;
use ledger::sales::{CertificateOfSale, CertificateView};
use serde::Serialize;
use utoipa::ToSchema;

/// A gift certificate. Its number is told only when it is issued.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct CertificateShown {
    id: String,
    /// The last four characters of its number.
    last_four: String,
    holder: String,
    /// What is left on it.
    balance: String,
    issued: String,
    note: String,
    who: String,
}

impl From<CertificateView> for CertificateShown {
    fn from(view: CertificateView) -> Self {
        Self {
            id: view.id.to_string(),
            last_four: view.number.last_four(),
            holder: view.holder,
            balance: view.balance.to_string(),
            issued: view.issued.to_string(),
            note: view.note,
            who: view.who,
        }
    }
}

/// A gift certificate that was just issued, with the number that is printed on it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct IssuedShown {
    id: String,
    /// Whoever knows it can spend the certificate: print it, and do not store it.
    number: String,
    amount: String,
}

impl IssuedShown {
    /// Those that a sale or its refunds issued.
    pub(crate) fn all_of(certificates: Vec<CertificateOfSale>, reason: AccountReason) -> Vec<Self> {
        let issued = certificates.into_iter().filter(|of| of.reason == reason);
        let shown = |of: CertificateOfSale| Self {
            id: of.certificate.id.to_string(),
            number: of.certificate.number.to_string(),
            amount: of.amount.to_string(),
        };
        issued.map(shown).collect()
    }
}
