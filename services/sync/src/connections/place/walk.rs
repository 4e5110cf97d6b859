//! A reading of a list's pages.

use super::trail::Trail;
use serde::{Deserialize, Serialize};

/// A reading of a list's pages, stored between two of them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Walk {
    /// Where the next page is: an address below the base, a cursor, or a number.
    pub(super) at: String,
    /// The cursor with which it began.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub(super) start: String,
    /// The value of `{since}` when it began.
    pub(super) since: i64,
    /// When it began, by our clock, or the shop's if that is known.
    pub(super) began: i64,
    pub(super) bound: Option<i64>,
    /// The newest change that it met.
    pub(super) newest: Option<i64>,
    pub(super) pages: u32,
    /// Identifies the last page, to notice a shop that always sends the same one.
    pub(super) last: String,
    /// A sum over all its records, and over those of the previous reading of the same window.
    pub(super) sum: u64,
    pub(super) before: Option<u64>,
    /// How many readings of the same window have ended.
    pub(super) walks: u32,
    /// Whether it is the daily look back, or the weekly one.
    pub(super) daily: bool,
    pub(super) weekly: bool,
    /// The time from which a person wanted everything read again.
    pub(super) reread: Option<i64>,
    /// Whether the shop's clock was found to be set back in the meantime.
    pub(super) is_set_back: bool,
    /// When its last page was read.
    pub(super) turned: i64,
    pub(super) trail: Trail,
}

impl Walk {
    /// Whether it begins before the end of the previous one, for what was missed.
    pub(super) fn is_deep(&self) -> bool {
        self.daily || self.weekly || self.reread.is_some()
    }

    /// Reads the same window again, from `start`.
    pub(super) fn again(&self) -> Self {
        let (at, trail) = (self.start.clone(), Trail::from(self.start.clone()));
        let last = String::new();
        Self { at, pages: 0, last, sum: 0, before: None, trail, ..self.clone() }
    }
}
