//! How pages write money, weights, moments: for people, in the shop's own zone.

use domain::day::{Moment, Zone};
use domain::money::Money;

/// Money with its digits alone: the page says the currency once.
pub(crate) fn money(amount: Money) -> String {
    amount.to_string()
}

/// A moment in the shop's zone, as `17 May 2026, 14:05`.
pub(crate) fn moment(zone: &Zone, at: Moment) -> String {
    zone.shown(at)
}
