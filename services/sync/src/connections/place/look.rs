//! A look back: the mark where the next one begins, and records that it must meet there.

use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Look {
    pub(super) at: i64,
    #[serde(skip_serializing_if = "String::is_empty")]
    pub(super) cursor: String,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) seen: Vec<u64>,
}

impl Look {
    pub(super) fn is_met(&self, prints: &BTreeSet<u64>) -> bool {
        self.seen.iter().any(|print| prints.contains(print))
    }
}
