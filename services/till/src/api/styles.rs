//! Styles: kinds of pieces with their weight rates.

pub(crate) mod get;
pub(crate) mod post;
