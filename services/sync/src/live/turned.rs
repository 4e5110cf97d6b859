//! What a page of a list says, for the walk over it.

use domain::day::Moment;
use reqwest::Url;

/// What a page said of going on.
#[derive(Debug)]
pub(super) struct Turned {
    /// The address it came from.
    pub(super) from: Url,
    /// The next one by its header.
    pub(super) link: Option<String>,
    /// The next mark in its body.
    pub(super) cursor: Option<String>,
    /// How many records it had.
    pub(super) records: usize,
    /// What tells it from another.
    pub(super) hash: String,
    /// What its records add up to, in whatever order.
    pub(super) sum: u64,
    /// The newest change on it.
    pub(super) newest: Option<Moment>,
    /// Its `ETag`.
    pub(super) etag: Option<String>,
    /// The other shop's clock (`Date`).
    pub(super) date: Option<i64>,
}

impl Turned {
    /// A page that is not there, since the list has ended before it.
    pub(super) fn not_there(from: Url) -> Self {
        Self {
            from,
            link: None,
            cursor: None,
            records: 0,
            hash: String::new(),
            sum: 0,
            newest: None,
            etag: None,
            date: None,
        }
    }
}
