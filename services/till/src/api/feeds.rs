//! Feeds: listings that were written, and orders that come in.

pub(crate) mod get;
pub(crate) mod orders;
