//! What the shop is told about a listing: schema.org's Product as JSON, or only availability and revision.

use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer};

/// The unit of counted goods (UN/CEFACT's code for one unit).
const ONE: &str = "C62";

/// A listing as it arrives. Unknown members are ignored, as most shops do.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(rename_all = "camelCase", default)]
pub(crate) struct Message {
    pub(crate) sku: Option<String>,
    pub(crate) name: Option<String>,
    pub(crate) description: Option<String>,
    pub(crate) color: Option<String>,
    pub(crate) size: Option<String>,
    pub(crate) material: Option<String>,
    #[serde(deserialize_with = "name_of")]
    pub(crate) brand: Option<String>,
    offers: Offer,
    availability: Option<String>,
    inventory_level: Option<Level>,
    revision: Option<i64>,
    additional_property: Option<Property>,
}

/// schema.org's Brand, of which only the name is kept.
fn name_of<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<String>, D::Error> {
    #[derive(Deserialize)]
    struct Brand {
        name: String,
    }
    Ok(Option::<Brand>::deserialize(deserializer)?.map(|brand| brand.name))
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(rename_all = "camelCase", default)]
struct Offer {
    price: Option<Decimal>,
    price_currency: Option<String>,
    availability: Option<String>,
    inventory_level: Option<Level>,
}

/// A quantity: a number, or a number with its unit.
#[derive(Clone, Debug, Deserialize)]
#[serde(untagged)]
enum Level {
    Bare(Decimal),
    #[serde(rename_all = "camelCase")]
    WithUnit {
        value: Decimal,
        unit_code: Option<String>,
    },
}

#[derive(Clone, Debug, Deserialize)]
struct Property {
    value: i64,
}

impl Message {
    pub(crate) fn named(name: &str) -> Self {
        Self { name: Some(name.to_owned()), ..Self::default() }
    }

    /// The price of one and its currency, if the message has them.
    pub(crate) fn price(&self) -> Option<(Decimal, String)> {
        let currency = self.offers.price_currency.clone().unwrap_or_default();
        self.offers.price.map(|price| (price, currency))
    }

    /// The revision of the sender's stock.
    pub(crate) fn revision(&self) -> Option<i64> {
        self.revision.or(self.additional_property.as_ref().map(|p| p.value))
    }

    /// The quantity for sale and its unit: none unless the item is in stock, and one if the message gives no
    /// quantity.
    pub(crate) fn can_be_had(&self) -> Option<(Decimal, String)> {
        let word = self.availability.as_deref().or(self.offers.availability.as_deref())?;
        let word = word.rsplit('/').next().unwrap_or(word);
        let level = self.inventory_level.as_ref().or(self.offers.inventory_level.as_ref());
        let (level, unit) = match level {
            None => (Decimal::ONE, ONE.to_owned()),
            Some(Level::Bare(value)) => (*value, ONE.to_owned()),
            Some(Level::WithUnit { value, unit_code }) => {
                (*value, unit_code.clone().unwrap_or_else(|| ONE.to_owned()))
            }
        };
        let had = if word == "InStock" { level.max(Decimal::ZERO) } else { Decimal::ZERO };
        Some((had, unit))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_what_can_be_had() {
        let check = |json: &str, had: Option<(&str, &str)>, revision: Option<i64>| {
            let message: Message = serde_json::from_str(json).unwrap();
            let can = message.can_be_had().map(|(had, unit)| (had.to_string(), unit));
            assert_eq!(can, had.map(|(had, unit)| (had.to_owned(), unit.to_owned())), "{json}");
            assert_eq!(message.revision(), revision, "{json}");
        };
        let whole = r#"{"@type":"Product","sku":"A","offers":{"price":"28.00","priceCurrency":"USD",
            "availability":"https://schema.org/InStock",
            "inventoryLevel":{"@type":"QuantitativeValue","value":"12.5","unitCode":"ONZ"}},
            "additionalProperty":{"propertyID":"revision","value":7}}"#;
        check(whole, Some(("12.5", "ONZ")), Some(7));
        check(r#"{"availability":"InStock","inventoryLevel":"3","revision":2}"#, Some(("3", "C62")), Some(2));
        check(r#"{"availability":"InStock"}"#, Some(("1", "C62")), None);
        check(r#"{"availability":"Reserved","inventoryLevel":"3"}"#, Some(("0", "C62")), None);
        check(r#"{"availability":"InStock","inventoryLevel":-3}"#, Some(("0", "C62")), None);
        check(r#"{"inventoryLevel":"3"}"#, None, None);
        assert!(serde_json::from_str::<Message>(r#"{"revision":"new"}"#).is_err());
    }
}
