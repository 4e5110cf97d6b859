//! Feeds: what went out, and orders that come in.

pub(crate) mod get;
pub(crate) mod orders;
