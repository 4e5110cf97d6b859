//! One gift certificate.

pub(crate) mod get;
