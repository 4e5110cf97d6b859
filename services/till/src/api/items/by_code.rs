//! One item, by its SKU, in-store code or GTIN.

pub(crate) mod get;
pub(crate) mod moves;
pub(crate) mod patch;
pub(crate) mod removal;
pub(crate) mod stock;
