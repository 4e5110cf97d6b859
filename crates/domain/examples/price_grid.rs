//! Prints prices over a whole grid of weights, rates, endings, minimums and extras as CSV, for
//! `tests/outside/prices.py` to work each of them out again. An empty price is one that the rule
//! refuses because it comes to 0.

use domain::money::{Currency, Money};
use domain::pricing::{PriceEnding, PriceError, PriceRule, WeightRate};
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;
use std::error::Error;
use std::io::{BufWriter, Write};

/// From 0.05 to 64.00 ounces, by twentieths of an ounce.
const TWENTIETHS: std::ops::RangeInclusive<i64> = 1..=1280;

/// Plain ones, ones that fall on halves of a cent, ones of six decimals, and other units.
const RATES: &[(&str, &str)] = &[
    ("0.10", "ONZ"),
    ("0.33", "ONZ"),
    ("0.49", "ONZ"),
    ("1.999999", "ONZ"),
    ("2.00", "ONZ"),
    ("2.0625", "ONZ"),
    ("2.1875", "ONZ"),
    ("3.333333", "ONZ"),
    ("6", "ONZ"),
    ("6.90", "ONZ"),
    ("7.50", "ONZ"),
    ("8", "ONZ"),
    ("8.75", "ONZ"),
    ("10.01", "ONZ"),
    ("12.50", "ONZ"),
    ("14.99", "ONZ"),
    ("999.99", "ONZ"),
    ("32", "LBR"),
    ("35", "LBR"),
    ("0.2645", "GRM"),
    ("26.455471", "HGM"),
    ("264.55", "KGM"),
];

const ENDINGS: &[&str] = &["exact", "five", "whole", "0.95"];

/// Minimum and extras; an empty minimum is none.
const MORE: &[(&str, &str)] = &[("", "0"), ("18.00", "0"), ("", "4.25"), ("7.77", "0.03")];

fn main() -> Result<(), Box<dyn Error>> {
    let currency = Currency::USD;
    let mut out = BufWriter::new(std::io::stdout().lock());
    writeln!(out, "weight,rate,unit,ending,minimum,extras,price")?;
    for (per, unit) in RATES {
        let rate = WeightRate::parse(per, unit)?;
        for ending in ENDINGS {
            for (minimum, extras) in MORE {
                let least = if minimum.is_empty() { None } else { Some(Money::parse(minimum, currency)?) };
                let rule = PriceRule { rate, ending: PriceEnding::parse(ending, currency)?, minimum: least };
                for twentieths in TWENTIETHS {
                    let weight = Weight::new(Decimal::new(twentieths * 5, 2), WeightUnit::Ounce)?;
                    let price = match rule.price(weight, Money::parse(extras, currency)?) {
                        Ok(calculation) => calculation.price.to_string(),
                        Err(PriceError::Nothing) => String::new(),
                        Err(other) => return Err(other.into()),
                    };
                    let ounces = weight.value();
                    writeln!(out, "{ounces},{per},{unit},{ending},{minimum},{extras},{price}")?;
                }
            }
        }
    }
    Ok(out.flush()?)
}
