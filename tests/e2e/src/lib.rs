//! Shared by the end-to-end tests.
//!
//! Nothing in the program depends on this package.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

pub mod house;
pub mod layers;
pub mod program;
pub mod rooms;
