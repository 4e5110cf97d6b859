//! One sale.

pub(crate) mod exchanges;
pub(crate) mod get;
pub(crate) mod refunds;
pub(crate) mod void;
