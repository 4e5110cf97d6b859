//! Parses the fields of this room's forms.

use crate::pages::form::Faults;
use domain::money::{Currency, Money};
use domain::weight::{Weight, WeightUnit};

/// A weight as people write it, such as `6.35`, `6.35 oz` or `170g`; none if the field is empty.
pub(crate) fn weight(field: &str, text: &str, unit: WeightUnit) -> Result<Option<Weight>, Faults> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    let at = text.find(|c: char| c.is_alphabetic()).unwrap_or(text.len());
    let (digits, word) = text.split_at(at);
    let unit = match word.trim().to_lowercase().as_str() {
        "" => unit,
        "oz" | "onz" | "ounce" | "ounces" => WeightUnit::Ounce,
        "lb" | "lbs" | "lbr" | "pound" | "pounds" => WeightUnit::Pound,
        "g" | "grm" | "gram" | "grams" => WeightUnit::Gram,
        "kg" | "kgm" | "kilogram" | "kilograms" => WeightUnit::Kilogram,
        _ => {
            return Err(Faults::one(
                field,
                "enter a number, with oz, lb, g or kg after it if needed, for example 6.35 oz",
            ));
        }
    };
    Weight::parse(digits.trim(), unit).map(Some).map_err(|error| Faults::one(field, error.to_string()))
}

/// An amount; none if the field is empty.
pub(crate) fn money(field: &str, text: &str, currency: Currency) -> Result<Option<Money>, Faults> {
    if text.trim().is_empty() {
        return Ok(None);
    }
    Money::parse(text.trim(), currency).map(Some).map_err(|error| Faults::one(field, error.to_string()))
}

/// Whole days; none if the field is empty.
pub(crate) fn days(field: &str, text: &str) -> Result<Option<i64>, Faults> {
    /// A hundred years: more is a typing error.
    const MOST: i64 = 36_525;
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    let digits = text.bytes().all(|b| b.is_ascii_digit());
    let days = text.parse().ok().filter(|days| digits && *days <= MOST);
    days.map(Some).ok_or_else(|| Faults::one(field, format!("enter a whole number of days from 0 to {MOST}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_read_as_people_write_them() {
        let check = |text: &str, expected: Option<&str>| {
            let read = weight("w", text, WeightUnit::Ounce).ok().map(|w| w.map(|w| w.to_string()));
            assert_eq!(read, expected.map(|e| Some(e.to_owned()).filter(|e| !e.is_empty())), "{text}");
        };
        check("", Some(""));
        check(" 6.35 ", Some("6.35 oz"));
        check("6.35oz", Some("6.35 oz"));
        check("170 g", Some("170 g"));
        check("1.5 LB", Some("1.5 lb"));
        check("2 stone", None);
        check("oz", None);
        check("-1", None);
        check("1,5", None);
    }

    #[test]
    fn days_are_whole_and_few() {
        let check =
            |text: &str, expected: Option<Option<i64>>| assert_eq!(days("d", text).ok(), expected, "{text}");
        check("", Some(None));
        check("0", Some(Some(0)));
        check(" 90 ", Some(Some(90)));
        check("36525", Some(Some(36_525)));
        check("36526", None);
        check("-1", None);
        check("1.5", None);
    }
}
