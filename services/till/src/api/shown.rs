//! How the API writes values: money and quantities as decimal strings, never as JSON numbers.

use domain::item::ItemText;
use domain::quantity::{Measure, Quantity};
use serde::Serialize;
use utoipa::ToSchema;

/// An item in words, under schema.org's names.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TextShown {
    name: String,
    description: String,
    /// Colors, separated by `|`.
    color: String,
    size: String,
    /// The fibers.
    material: String,
    brand: String,
    /// File names or addresses.
    image: Vec<String>,
}

impl From<ItemText> for TextShown {
    fn from(text: ItemText) -> Self {
        let ItemText { name, description, color, size, material, brand, images } = text;
        Self { name, description, color, size, material, brand, image: images }
    }
}

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
