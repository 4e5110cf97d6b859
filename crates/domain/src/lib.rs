//! The shop's rules.
//!
//! Nothing here knows a clock, randomness, a database, a file or the network: times and identifiers are
//! arguments, and everything else is a value. Float arithmetic is denied, so that no figure of the
//! books can pass through a float.
#![deny(clippy::float_arithmetic)]

pub mod account;
pub mod basket;
pub mod calendar;
pub mod card;
pub mod cash;
pub mod certificate;
pub mod channel;
pub mod codes;
pub mod color;
pub mod color_difference;
pub mod custom_order;
pub mod customer;
pub mod day;
pub mod delivery;
pub mod discount;
pub mod fee;
pub mod ids;
pub mod image;
pub mod item;
pub mod limits;
pub mod masked;
pub mod money;
pub mod objects;
pub mod order;
pub mod people;
pub mod pricing;
pub mod quantity;
pub mod receipt;
pub mod refund;
pub mod revenue;
pub mod shop_color;
pub mod shown;
pub mod split;
pub mod stock;
pub mod text;
pub mod weight;
