//! How the API writes values: money and quantities as decimal strings, never as JSON numbers.

use domain::quantity::{Measure, Quantity};

/// A quantity's digits: whole units, or the stock unit with its three decimals.
pub(crate) fn quantity(quantity: Quantity) -> String {
    quantity.value().to_string()
}

/// The unit beside a quantity; none for what is counted.
pub(crate) fn unit_code(measure: Measure) -> Option<&'static str> {
    match measure {
        Measure::Units => None,
        Measure::Thousandths(unit) => Some(unit.code()),
    }
}
