//! Numbers of a listing as another shop counts them: money in parts of the currency's unit, weights and
//! quantities in a particular unit.

use crate::fields::listing;
use crate::layout_field::{FieldMap, Scale};
use crate::listing::Listing;
use domain::money::Currency;
use domain::quantity::{Measure, Quantity};
use domain::weight::WeightUnit;
use rust_decimal::{Decimal, RoundingStrategy};

/// Decimals of a converted weight if the layout does not say: milligrams, for grams.
const OF_WEIGHT: u32 = 3;
/// Decimals of a converted price, the same as of a rate.
const OF_PRICE: u32 = 6;

/// The number as the layout wants it; none if it wants our own.
pub(crate) fn converted(item: &Listing, place: usize, map: &FieldMap) -> Option<String> {
    let number = match (place, map.unit) {
        (listing::WEIGHT, Some(unit)) => {
            let weight = item.weight?;
            let decimals = map.decimals.unwrap_or(OF_WEIGHT);
            return Some(plain(away(weight.value_in(unit), decimals)));
        }
        (listing::WEIGHT_UNIT, Some(unit)) => return item.weight.map(|_| unit.code().to_owned()),
        (listing::INVENTORY, Some(unit)) => {
            return Some(plain(amount(item.inventory?, unit, map.decimals.unwrap_or(0))));
        }
        (listing::PRICE, Some(unit)) => {
            let each = price_of(item, unit);
            let major = each.unwrap_or(item.price.major());
            let usual = if map.scale.is_some() { 0 } else { OF_PRICE };
            let decimals = if each.is_some() { map.decimals.unwrap_or(usual) } else { OF_PRICE };
            away(shifted(major, map.scale, item.price.currency()), decimals)
        }
        (listing::PRICE, None) => {
            map.scale?;
            shifted(item.price.major(), map.scale, item.price.currency())
        }
        _ => return None,
    };
    Some(plain(number))
}

fn plain(number: Decimal) -> String {
    number.normalize().to_string()
}

fn away(number: Decimal, decimals: u32) -> Decimal {
    number.round_dp_with_strategy(decimals, RoundingStrategy::MidpointAwayFromZero)
}

/// The quantity of goods by weight in another unit, never more than there is.
pub(crate) fn amount(there: Quantity, unit: WeightUnit, decimals: u32) -> Decimal {
    match there.measure() {
        Measure::Units => there.value(),
        Measure::Thousandths(own) => {
            let exact = if own == unit { there.value() } else { there.value() * own.grams() / unit.grams() };
            exact.round_dp_with_strategy(decimals, RoundingStrategy::ToZero)
        }
    }
}

/// The price of goods by weight for another unit; none for counted goods.
pub(crate) fn price_of(item: &Listing, unit: WeightUnit) -> Option<Decimal> {
    let Measure::Thousandths(own) = item.inventory?.measure() else { return None };
    Some(if own == unit { item.price.major() } else { item.price.major() * unit.grams() / own.grams() })
}

/// Money as a whole number of parts of the currency's unit.
fn shifted(major: Decimal, scale: Option<Scale>, currency: Currency) -> Decimal {
    match scale {
        None => major,
        Some(scale) => major * Decimal::from(10_u64.pow(scale.digits(currency))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_amount_is_never_more_than_there_is() {
        let check = |stock_units: i64, own: WeightUnit, unit: WeightUnit, decimals: u32, expected: &str| {
            let there = Quantity::from_stock_units(stock_units, Measure::Thousandths(own)).unwrap();
            assert_eq!(plain(amount(there, unit, decimals)), expected, "{stock_units} {own:?} {unit:?}");
        };
        let (ounce, gram) = (WeightUnit::Ounce, WeightUnit::Gram);
        // The avoirdupois ounce is 28.349523125 g (NIST Handbook 44, appendix C).
        check(12_500, ounce, gram, 0, "354");
        check(12_500, ounce, gram, 2, "354.36");
        check(1_000, ounce, gram, 0, "28");
        check(999, gram, gram, 0, "0");
        check(2_500, WeightUnit::Kilogram, gram, 0, "2500");
        check(250_000, gram, WeightUnit::HundredGrams, 1, "2.5");
    }
}
