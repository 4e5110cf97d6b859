//! What the tests of several crates share: a place for a shop on each engine, a shop in it with a clock that the
//! test sets, things for its shelf, and a disk that is soon full.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

mod ground;
pub mod make;
mod shop;
mod small_disk;

pub use ground::{Engine, Ground, end_listeners, engines};
pub use shop::{START, TestShop, shops};
pub use small_disk::SmallDisk;
