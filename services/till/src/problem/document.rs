//! The problem document, as it is sent.

use super::Kind;
use serde::Serialize;
use utoipa::ToSchema;

/// A problem (RFC 9457). `type` is one of a closed list; the members below `detail` stand where
/// the type has them.
#[derive(Debug, Default, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct ProblemDocument {
    /// `/problems/…`: already-sold, on-hold, not-enough, gone, unknown-code, wrong-digit,
    /// key-reused, still-running, no-such, hold-over, invalid, more-than-sold, not-voidable, stale,
    /// precondition-required, code-taken, order-differs, same-date-other-contents, refund-waits, number-used-again,
    /// key-missing, malformed, too-slow, too-large, unsupported-media-type, method-not-allowed, not-found, sign-in-needed, not-allowed,
    /// above-your-limit (a program cannot be approved by somebody else; a person is, on the pages), too-often, foreign-origin, busy, away or trouble.
    #[serde(rename = "type")]
    kind: String,
    /// What the type is called.
    title: &'static str,
    /// The status of the answer.
    status: u16,
    /// What happened and what to do, for people.
    pub(crate) detail: String,
    /// invalid: which values are wrong.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) errors: Vec<Fault>,
    /// already-sold, on-hold, not-enough, gone: which item.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) item: Option<ProblemItem>,
    /// already-sold: where and when.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) sold: Option<SoldDocument>,
    /// on-hold: for whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) for_whom: Option<String>,
    /// on-hold: until when; left out if the hold has no end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) until: Option<String>,
    /// above-your-limit: which limit, by its name in /api/limits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) limit: Option<String>,
    /// above-your-limit: how far one may go.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) allowed: Option<String>,
    /// not-enough, more-than-sold, above-your-limit: what was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) asked: Option<String>,
    /// not-enough: what is free.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) free: Option<String>,
    /// more-than-sold: what is left of what was sold.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) left: Option<String>,
    /// gone: what became of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) why: Option<String>,
    /// unknown-code, wrong-digit, code-taken: the code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) code: Option<String>,
    /// wrong-digit: what the last digit should be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) check_digit: Option<String>,
    /// hold-over: taken, ended or expired.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) state: Option<String>,
    /// stale: the revision that it has now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) revision: Option<String>,
}

/// One wrong value.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Fault {
    /// What is wrong and what to do.
    pub(crate) detail: String,
    /// Where in the body, as a JSON Pointer in a URI fragment (RFC 6901, 6).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) pointer: Option<String>,
    /// Which parameter of the query, or which header.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) parameter: Option<String>,
}

/// The item that a problem is about.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProblemItem {
    /// Its sku.
    pub(crate) sku: String,
    /// Its name.
    pub(crate) name: String,
}

/// Where and when something was sold.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SoldDocument {
    /// On which channel.
    pub(crate) channel: String,
    /// When.
    pub(crate) at: String,
    /// The receipt, for a sale rung up here.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) receipt: Option<String>,
    /// The order, for a sale that came in as one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) order: Option<String>,
}

impl ProblemDocument {
    pub(super) fn new(kind: Kind, detail: String) -> Self {
        Self {
            kind: format!("/problems/{}", kind.code()),
            title: kind.title(),
            status: kind.status().as_u16(),
            detail,
            ..Self::default()
        }
    }
}
