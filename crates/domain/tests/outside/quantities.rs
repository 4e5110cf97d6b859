//! Quantities: whole units, and thousandths of a stock unit with one conversion.

use crate::{dec, usd};
use domain::basket::{line_amount, line_cost, unit_price};
use domain::money::MoneyError;
use domain::quantity::{Asked, MAX_STOCK_UNITS, Measure, Quantity, QuantityError};
use domain::weight::{WeightUnit, ounces_from_eighth_nanograms};

const OUNCES: Measure = Measure::Thousandths(WeightUnit::Ounce);

fn resolve(value: &str, unit: Option<&str>, measure: Measure) -> Result<Quantity, QuantityError> {
    Quantity::resolve(Asked::parse(value, unit)?, measure)
}

#[test]
fn a_sale_in_another_unit_is_converted_once() {
    // Exact fractions of NIST Handbook 44's pound, to the nearest thousandth; worked here.
    let check = |value: &str, unit: Option<&str>, measure: Measure, stock_units: i64| {
        assert_eq!(
            resolve(value, unit, measure).map(Quantity::stock_units),
            Ok(stock_units),
            "{value} {unit:?}"
        );
    };
    check("2.5", None, OUNCES, 2500);
    check("2.5", Some("ONZ"), OUNCES, 2500);
    check("1", Some("LBR"), OUNCES, 16_000);
    check("100", Some("GRM"), OUNCES, 3527); // 3.527396…
    check("1", Some("KGM"), OUNCES, 35_274); // 35.273961…
    check("1", Some("HGM"), OUNCES, 3527);
    check("1", Some("ONZ"), Measure::Thousandths(WeightUnit::Kilogram), 28); // 0.028349…
    check("8", Some("ONZ"), Measure::Thousandths(WeightUnit::Pound), 500);
    check("0.226796185", Some("GRM"), Measure::Thousandths(WeightUnit::Pound), 1); // 0.0005 lb, half up
    check("3", None, Measure::Units, 3);
    check("3.0", Some("C62"), Measure::Units, 3);
    check("1", Some("H87"), Measure::Units, 1);
    check("0.001", None, OUNCES, 1);
}

#[test]
fn what_is_no_quantity_is_refused() {
    let check = |value: &str, unit: Option<&str>, measure: Measure, expected: &str| {
        let refused = resolve(value, unit, measure).unwrap_err().to_string();
        assert!(refused.contains(expected), "{value:?} {unit:?}: {refused}");
    };
    check("0", None, Measure::Units, "more than 0");
    check("-1", None, Measure::Units, "more than 0");
    check("0.0001", Some("GRM"), OUNCES, "more than 0"); // it rounds to nothing
    check("1.5", None, Measure::Units, "not a whole number");
    check("1", Some("ONZ"), Measure::Units, "counted, not weighed; leave the unit ONZ out");
    check("2.5001", None, OUNCES, "finer than a thousandth");
    check("1000000001", None, Measure::Units, "larger than a shop can hold");
    check("9999999999999999999999999999", None, OUNCES, "larger than a shop can hold");
    check("9999999999999999999999999999", Some("KGM"), OUNCES, "larger than a shop can hold");
    check("one", None, Measure::Units, "is not a quantity");
    check("1", Some("APZ"), OUNCES, "not a weight unit");
    assert!(Quantity::from_stock_units(i64::MIN, Measure::Units).is_err());
    assert!(Quantity::from_stock_units(-MAX_STOCK_UNITS, OUNCES).is_ok(), "a change may be negative");
    let none = Quantity::resolve_or_zero(Asked::parse("0", None).unwrap(), Measure::Units);
    assert_eq!(none.map(Quantity::stock_units), Ok(0), "a count may find none");
}

#[test]
fn a_line_is_price_times_quantity() {
    let check = |price: &str, value: &str, measure: Measure, amount: &str| {
        let quantity = resolve(value, None, measure).unwrap();
        assert_eq!(line_amount(usd(price), quantity), Ok(usd(amount)), "{price} × {value}");
    };
    check("4.25", "3", Measure::Units, "12.75");
    check("2.25", "2.5", OUNCES, "5.63"); // 5.625
    check("2.20", "0.001", OUNCES, "0.00");
    check("1.99", "12.345", OUNCES, "24.57"); // 24.56655
    let ten = resolve("10", None, Measure::Units).unwrap();
    assert_eq!(line_amount(usd("999999999"), ten).unwrap().to_string(), "9999999990.00", "shown as it is");
    assert!(matches!(line_cost(Some(usd("999999999")), ten), Err(MoneyError::OverLimit { .. })));
    assert_eq!(line_cost(Some(usd("1.10")), ten), Ok(Some(usd("11.00"))));
    assert_eq!(line_cost(None, ten), Ok(None), "a cost that is not known is not 0");
    assert_eq!(unit_price(usd("10.00"), dec("3")), Ok(usd("3.33")));
    assert!(unit_price(usd("10.00"), dec("0")).is_err());
}

#[test]
fn what_the_books_count() {
    let check = |value: &str, measure: Measure, units: i64, ounces: &str| {
        let quantity = resolve(value, None, measure).unwrap();
        let shown = ounces_from_eighth_nanograms(quantity.book_weight().unwrap().into(), 2);
        assert_eq!((quantity.book_units(), shown.to_string()), (units, ounces.to_owned()), "{quantity}");
    };
    check("3", Measure::Units, 3, "0.00");
    check("2.5", OUNCES, 1, "2.50");
    check("1", Measure::Thousandths(WeightUnit::Pound), 1, "16.00");
    check("100", Measure::Thousandths(WeightUnit::Gram), 1, "3.53"); // 3.527396…
    let back = Quantity::from_stock_units(-2500, OUNCES).unwrap();
    assert_eq!(back.book_units(), -1, "what came back counts against");
    let most =
        Quantity::from_stock_units(MAX_STOCK_UNITS, Measure::Thousandths(WeightUnit::Kilogram)).unwrap();
    assert_eq!(most.book_weight(), Ok(8_000_000_000_000_000_000));
}

/// A tonne in each unit, from the exact pound of 0.45359237 kg (NIST Handbook 44, appendix C).
#[test]
fn a_line_has_at_most_a_million_units_or_a_tonne() {
    let check = |value: &str, unit: WeightUnit, over: &str| {
        let measure = Measure::Thousandths(unit);
        let line = |text: &str| Quantity::resolve_line(Asked::parse(text, None).unwrap(), measure);
        assert!(line(value).is_ok(), "{value} {unit}");
        let refused = matches!(
            line(over),
            // A million grams is the most that any quantity can be.
            Err(QuantityError::OverLimit { .. } | QuantityError::TooLarge)
        );
        assert!(refused, "{over} {unit}");
    };
    check("1000", WeightUnit::Kilogram, "1000.001");
    check("10000", WeightUnit::HundredGrams, "10000.001");
    check("1000000", WeightUnit::Gram, "1000000.001");
    check("2204.622", WeightUnit::Pound, "2204.623");
    check("35273.961", WeightUnit::Ounce, "35273.962");
    let units = |text: &str| Quantity::resolve_line(Asked::parse(text, None).unwrap(), Measure::Units);
    assert!(units("1000000").is_ok());
    let told = units("10000000").unwrap_err().to_string();
    assert_eq!(
        told,
        "10000000 is more than 1000000, the most that one line may have; check it for an extra digit"
    );
}

#[test]
fn a_quantity_shows_its_unit() {
    assert_eq!(resolve("2.50", None, OUNCES).unwrap().to_string(), "2.5 oz");
    assert_eq!(resolve("3", None, Measure::Units).unwrap().to_string(), "3");
}
