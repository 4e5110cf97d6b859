//! The last records that a reading of a list with marks met, and the mark before them.
//!
//! The next look back begins at that mark. If it meets none of these records, the list was restored to a state
//! before the mark, however long it has grown since.

use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// How many records to remember at least, if there are that many. In a list that shows each order once, some of
/// them have moved to the end by the next look.
const ENOUGH: usize = 4;

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Trail {
    #[serde(skip_serializing_if = "String::is_empty")]
    pub(super) behind: String,
    pub(super) seen: Vec<u64>,
    /// A later mark, and how many of the records come before it.
    #[serde(skip_serializing_if = "Option::is_none")]
    later: Option<(String, usize)>,
    /// Whether this reading met a record that the previous look met after the same mark.
    pub(super) is_proven: bool,
}

impl Trail {
    /// For a reading that begins at a mark.
    pub(super) fn from(start: String) -> Self {
        Self { behind: start, ..Self::default() }
    }

    /// Remembers the records of the page after a mark.
    pub(super) fn note(&mut self, mark: &str, prints: &BTreeSet<u64>) {
        if prints.is_empty() {
            return;
        }
        let before = self.later.as_ref().map_or(0, |(_, before)| *before);
        if self.seen.len() - before >= ENOUGH {
            self.seen.drain(..before);
            if let Some((later, _)) = self.later.take() {
                self.behind = later;
            }
            self.later = Some((mark.to_owned(), self.seen.len()));
        }
        self.seen.extend(prints.iter().take(ENOUGH));
    }
}
