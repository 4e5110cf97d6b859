//! The domain compared with outside sources: each check has the published source of its value beside
//! it.
//!
//! A value without a source says so: “common practice, no source”, or “worked here” where it follows
//! from a published rule by exact arithmetic.

#[path = "outside/cash.rs"]
mod cash;
#[path = "outside/certificates.rs"]
mod certificates;
#[path = "outside/codes.rs"]
mod codes;
#[path = "outside/delivery.rs"]
mod delivery;
#[path = "outside/house.rs"]
mod house;
#[path = "outside/laws.rs"]
mod laws;
#[path = "outside/luhn.rs"]
mod luhn;
#[path = "outside/mass.rs"]
mod mass;
#[path = "outside/prices.rs"]
mod prices;
#[path = "outside/quantities.rs"]
mod quantities;
#[path = "outside/refunds.rs"]
mod refunds;
#[path = "outside/rounding.rs"]
mod rounding;
#[path = "outside/words.rs"]
mod words;
#[path = "outside/zones.rs"]
mod zones;

use domain::money::{Currency, Money};
use rust_decimal::Decimal;

/// A decimal as the tables write it.
fn dec(text: &str) -> Decimal {
    text.parse().unwrap_or_else(|e| panic!("{text:?} in a table: {e}"))
}

/// An amount as the tables write it.
fn money(text: &str, currency: &str) -> Money {
    Money::parse(text, Currency::from_code(currency).unwrap()).unwrap_or_else(|e| panic!("{text:?}: {e}"))
}

/// An amount in dollars as the tables write it.
fn usd(text: &str) -> Money {
    money(text, "USD")
}

/// Dollars from cents.
fn cents(minor: i64) -> Money {
    Money::from_minor(minor, Currency::USD).unwrap()
}
