//! Styles: what groups of pieces are a kind of, with their weight rates.

pub(crate) mod get;
pub(crate) mod post;
