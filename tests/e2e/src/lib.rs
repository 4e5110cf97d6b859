//! What the tests from outside share.
//!
//! Nothing of the program depends on this package, and it belongs to no room of the house.

pub mod house;
pub mod program;
pub mod rooms;
