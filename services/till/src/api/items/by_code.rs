//! One item, by any code that finds it: sku, in-store code or GTIN.

pub(crate) mod get;
pub(crate) mod moves;
pub(crate) mod patch;
pub(crate) mod stock;
