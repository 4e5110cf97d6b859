//! One deposit.

pub(crate) mod forfeit;
pub(crate) mod get;
