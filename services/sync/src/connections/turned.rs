//! What a page of a list says, for reading the list.

use domain::day::Moment;
use reqwest::Url;
use std::collections::BTreeSet;

/// What a page says about going on.
#[derive(Debug)]
pub(super) struct Turned {
    pub(super) from: Url,
    /// The next page, from its header.
    pub(super) link: Option<String>,
    /// The next mark, from its body.
    pub(super) cursor: Option<String>,
    pub(super) records: usize,
    pub(super) hash: String,
    /// Identifies each of its records, in any order.
    pub(super) prints: BTreeSet<u64>,
    /// The newest change on it.
    pub(super) newest: Option<Moment>,
    /// Its `ETag`.
    pub(super) etag: Option<String>,
    /// The shop's clock (`Date`), in milliseconds since 1970.
    pub(super) date: Option<i64>,
}

impl Turned {
    /// A page that does not exist because the list ended before it.
    pub(super) fn not_there(from: Url) -> Self {
        Self {
            from,
            link: None,
            cursor: None,
            records: 0,
            hash: String::new(),
            prints: BTreeSet::new(),
            newest: None,
            etag: None,
            date: None,
        }
    }
}
