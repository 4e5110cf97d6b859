//! One custom order.

pub(crate) mod cancel;
pub(crate) mod get;
