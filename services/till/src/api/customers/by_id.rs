//! One customer.

pub(crate) mod delete;
pub(crate) mod export;
pub(crate) mod get;
pub(crate) mod patch;
pub(crate) mod terms;

use crate::api::etag::Basis;
use ledger::customers::CustomerView;

/// The revision for the ledger to compare with: of several tags the current one if it is among them. The ledger
/// compares again in its transaction.
fn expected(current: &CustomerView, basis: &Basis) -> i64 {
    /// Revisions begin at 1.
    const NEVER: i64 = 0;
    match basis {
        Basis::Any => current.revision,
        Basis::OneOf(tags) => {
            let known = tags.iter().find(|tag| **tag == current.revision).or(tags.first());
            known.copied().unwrap_or(NEVER)
        }
    }
}

/// The text, unless it was left out.
fn or_as_it_is(text: Option<String>, is: &str) -> String {
    text.unwrap_or_else(|| is.to_owned())
}

#[cfg(test)]
mod tests;
