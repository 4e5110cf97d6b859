//! What somebody else has approved, on its way from the request to the check of a limit.

use super::command::Tx;
use super::idempotency_key::{Key, hex_hash};
use domain::ids::{ApprovalId, SessionId};
use domain::limits::{AboveLimit, LimitName};
use std::sync::Arc;

/// The approvals that a request brings, and what they must have been given for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct GivenApprovals {
    pub(crate) ids: Vec<ApprovalId>,
    /// The session of whoever asks: an approval is of no use on another device.
    pub(crate) session: SessionId,
    /// See [`Key::request_hash`].
    pub(crate) request_hash: String,
}

/// Something above a limit that somebody has approved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Approved {
    pub(crate) limit: LimitName,
    /// As [`AboveLimit`] says it.
    pub(crate) asked: String,
    pub(crate) by: String,
}

impl Approved {
    pub(crate) fn is_for(&self, above: &AboveLimit) -> bool {
        self.limit == above.limit && self.asked == above.asked
    }
}

/// What a transaction knows of approvals.
#[derive(Debug, Default)]
pub(crate) struct Approvals {
    given: Option<Arc<GivenApprovals>>,
    taken: Vec<Approved>,
}

impl Approvals {
    pub(crate) fn of(key: &Key) -> Self {
        Self { given: key.given_approvals(), taken: Vec::new() }
    }
}

impl Key {
    /// Who asks for what, with which contents, as one hash: what an approval is given for.
    pub fn request_hash(&self) -> String {
        hex_hash(format!("{}\n{}", self.scope(), self.body_hash()).as_bytes())
    }

    /// Brings approvals for limits that what is done with this key would exceed.
    #[must_use]
    pub fn approved(self, session: SessionId, ids: Vec<ApprovalId>) -> Self {
        let given = GivenApprovals { ids, session, request_hash: self.request_hash() };
        self.with_approvals(Arc::new(given))
    }
}

impl Tx {
    pub(crate) fn given_approvals(&self) -> Option<Arc<GivenApprovals>> {
        self.approvals.given.clone()
    }

    /// What was approved and taken in this transaction, or approved before and noted with what is changed.
    pub(crate) fn approvals(&self) -> &[Approved] {
        &self.approvals.taken
    }

    /// Lets the checks of this transaction pass for it.
    pub(crate) fn note_approved(&mut self, approved: Approved) {
        self.approvals.taken.push(approved);
    }
}
