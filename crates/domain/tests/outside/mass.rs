//! Mass: NIST Handbook 44, appendix C (1 lb = 453.59237 g, exactly; 1 lb = 16 oz), and UN/CEFACT
//! Recommendation 20 for the codes.

use crate::dec;
use domain::weight::{SHOWN_IN_ANOTHER_UNIT, Weight, WeightUnit};
use rust_decimal::{Decimal, RoundingStrategy::MidpointAwayFromZero};

/// Rounded half up, like the tables.
fn up(value: Decimal, decimals: u32) -> Decimal {
    value.round_dp_with_strategy(decimals, MidpointAwayFromZero)
}

#[test]
fn units_are_exact() {
    // NIST Handbook 44, appendix C; UN/CEFACT Recommendation 20, row LBR (0.453 592 37 kg).
    let check = |unit: WeightUnit, grams: &str| {
        assert_eq!(unit.grams(), dec(grams), "{unit}");
        let thousandth = Decimal::from(unit.eighth_nanograms_per_thousandth());
        assert_eq!(thousandth, dec(grams) * dec("8000000"), "{unit} in eighths of a nanogram");
    };
    check(WeightUnit::Ounce, "28.349523125");
    check(WeightUnit::Pound, "453.59237");
    check(WeightUnit::Gram, "1");
    check(WeightUnit::HundredGrams, "100");
    check(WeightUnit::Kilogram, "1000");
    assert_eq!(WeightUnit::Ounce.grams() * Decimal::from(16), WeightUnit::Pound.grams());
    // The factor that Recommendation 20 prints for ONZ is rounded, and 3.125 micrograms low.
    assert_eq!(WeightUnit::Ounce.grams() - dec("28.34952"), dec("0.000003125"));
}

#[test]
fn unit_codes_are_those_of_recommendation_20() {
    // UN/CEFACT Recommendation 20, open data set of the code list.
    let check = |code: &str, expected: Option<WeightUnit>| {
        assert_eq!(WeightUnit::from_code(code).ok(), expected, "{code:?}");
    };
    check("ONZ", Some(WeightUnit::Ounce));
    check("LBR", Some(WeightUnit::Pound));
    check("GRM", Some(WeightUnit::Gram));
    check("HGM", Some(WeightUnit::HundredGrams));
    check("KGM", Some(WeightUnit::Kilogram));
    // A troy ounce is not used for wool; SA was withdrawn; the others are not in the list.
    for wrong in ["APZ", "SA", "OZ", "oz", "onz", "G", "LB", "ONZ ", "", "H87", "C62", "MTR"] {
        check(wrong, None);
    }
}

#[test]
fn ounces_in_grams() {
    // Exact fractions of NIST Handbook 44's pound; worked here.
    let check = |oz: &str, exact: &str, hundredth: &str, tenth: &str, whole: &str, down: &str| {
        let grams = Weight::parse(oz, WeightUnit::Ounce).unwrap().grams();
        assert_eq!(grams, dec(exact), "{oz} oz");
        assert_eq!(up(grams, 2), dec(hundredth), "{oz} oz to 0.01 g");
        assert_eq!(up(grams, 1), dec(tenth), "{oz} oz to 0.1 g");
        assert_eq!(up(grams, 0), dec(whole), "{oz} oz to 1 g");
        assert_eq!(grams.round_dp_with_strategy(0, SHOWN_IN_ANOTHER_UNIT), dec(down), "{oz} oz cut to 1 g");
    };
    check("0.01", "0.28349523125", "0.28", "0.3", "0", "0");
    check("0.25", "7.08738078125", "7.09", "7.1", "7", "7");
    check("1", "28.349523125", "28.35", "28.3", "28", "28");
    check("3.75", "106.31071171875", "106.31", "106.3", "106", "106");
    check("9.25", "262.23308890625", "262.23", "262.2", "262", "262");
    check("12.5", "354.3690390625", "354.37", "354.4", "354", "354");
    check("14.5", "411.0680853125", "411.07", "411.1", "411", "411");
    check("16", "453.59237", "453.59", "453.6", "454", "453");
    check("35.27", "999.88768061875", "999.89", "999.9", "1000", "999");
    check("999.99", "28349.23962976875", "28349.24", "28349.2", "28349", "28349");
}

#[test]
fn grams_in_ounces_and_pounds() {
    // Exact fractions of NIST Handbook 44's pound; worked here.
    let check = |grams: &str, oz: &str, half_up: &str, down: &str, lb: &str| {
        let weight = Weight::parse(grams, WeightUnit::Gram).unwrap();
        let ounces = weight.value_in(WeightUnit::Ounce);
        assert_eq!(up(ounces, 9), dec(oz), "{grams} g");
        assert_eq!(up(ounces, 2), dec(half_up), "{grams} g to 0.01 oz");
        assert_eq!(ounces.round_dp_with_strategy(2, SHOWN_IN_ANOTHER_UNIT), dec(down), "{grams} g cut");
        assert_eq!(up(weight.value_in(WeightUnit::Pound), 8), dec(lb), "{grams} g in lb");
    };
    check("28", "0.987670935", "0.99", "0.98", "0.06172943");
    check("50", "1.763698097", "1.76", "1.76", "0.11023113");
    check("100", "3.527396195", "3.53", "3.52", "0.22046226");
    check("250", "8.818490487", "8.82", "8.81", "0.55115566");
    check("500", "17.636980975", "17.64", "17.63", "1.10231131");
    check("1000", "35.273961950", "35.27", "35.27", "2.20462262");
}

#[test]
fn pounds_and_ounces_are_ounces() {
    // 1 lb = 16 oz: NIST Handbook 44, appendix C.
    let check = |pounds: u32, ounces: &str, expected: &str, grams: &str| {
        let weight = Weight::from_pounds_and_ounces(pounds, dec(ounces)).unwrap();
        assert_eq!((weight.value(), weight.unit()), (dec(expected), WeightUnit::Ounce));
        assert_eq!(up(weight.grams(), 9), dec(grams), "{pounds} lb {ounces} oz");
    };
    check(1, "1.5", "17.5", "496.116654688");
    check(2, "8", "40", "1133.980925");
    check(1, "0", "16", "453.59237");
    check(0, "0.05", "0.05", "1.417476156");
    for (pounds, ounces) in [(0, "0"), (1, "-0.5"), (u32::MAX, "1"), (1, "79228162514264337593543950335")] {
        assert!(Weight::from_pounds_and_ounces(pounds, dec(ounces)).is_err(), "{pounds} lb {ounces} oz");
    }
}

#[test]
fn the_scales_digits_come_back() {
    // Every reading of 0.01 to 999.99 oz; the count by exact fractions, worked here.
    let mut lost_in_whole_grams = 0;
    for hundredths in 1..100_000_i64 {
        let text = format!("{}.{:02}", hundredths / 100, hundredths % 100);
        let weight = Weight::parse(&text, WeightUnit::Ounce).unwrap();
        assert_eq!(weight.to_string(), format!("{text} oz"));
        assert_eq!(weight.value_in(WeightUnit::Ounce), Decimal::new(hundredths, 2));
        let back = |decimals| up(up(weight.grams(), decimals) / WeightUnit::Ounce.grams(), 2);
        assert_eq!(back(1), weight.value(), "{text} oz by way of tenths of a gram");
        lost_in_whole_grams += i32::from(back(0) != weight.value());
    }
    assert_eq!(lost_in_whole_grams, 71_650, "so a weight is never kept in whole grams");
}

#[test]
fn a_tag_never_overstates() {
    // NIST's fact sheet on metric labelling, quoting the Uniform Packaging and Labeling
    // Regulation: a converted declaration may be rounded down and must not overstate.
    let check = |oz: &str, grams: &str| {
        let exact = Weight::parse(oz, WeightUnit::Ounce).unwrap().value_in(WeightUnit::Gram);
        assert_eq!(exact.round_dp_with_strategy(0, SHOWN_IN_ANOTHER_UNIT), dec(grams), "{oz} oz");
    };
    check("16", "453");
    check("9.25", "262");
    check("35.27", "999");
}

#[test]
fn what_is_no_weight_is_refused() {
    // Worked here: a weight must be above zero, and no piece weighs more than a tonne.
    let check = |text: &str, unit: WeightUnit, expected: &str| {
        let refused = Weight::parse(text, unit).unwrap_err().to_string();
        assert!(refused.contains(expected), "{text:?}: {refused}");
    };
    check("0", WeightUnit::Ounce, "more than 0");
    check("0.00", WeightUnit::Gram, "more than 0");
    check("-6.35", WeightUnit::Ounce, "more than 0");
    check("5000", WeightUnit::Kilogram, "heavier than a tonne");
    check("1000000.1", WeightUnit::Gram, "heavier than a tonne");
    check("9999999999999999999999999999", WeightUnit::Kilogram, "heavier than a tonne");
    check("6.35001", WeightUnit::Ounce, "more than 4 decimals");
    check("6,35", WeightUnit::Ounce, "is not a weight");
    check("6.35 oz", WeightUnit::Ounce, "is not a weight");
    check("", WeightUnit::Ounce, "is not a weight");
    check("\u{ff16}", WeightUnit::Ounce, "is not a weight");
    assert!(Weight::parse("1000", WeightUnit::Kilogram).is_ok(), "a tonne itself");
}

#[test]
fn weights_of_all_units_are_compared_exactly() {
    // NIST Handbook 44, appendix C: an avoirdupois ounce is 28.349523125 g, a pound 453.59237 g.
    let mass = |text: &str, unit: WeightUnit| Weight::parse(text, unit).unwrap().mass();
    let check = |grams: &str, text: &str, unit: WeightUnit, expected: std::cmp::Ordering| {
        assert_eq!(
            mass(grams, WeightUnit::Gram).cmp(&mass(text, unit)),
            expected,
            "{grams} g, {text} {unit}"
        );
    };
    check("28.3495", "1", WeightUnit::Ounce, std::cmp::Ordering::Less);
    check("28.3496", "1", WeightUnit::Ounce, std::cmp::Ordering::Greater);
    check("453.5923", "1", WeightUnit::Pound, std::cmp::Ordering::Less);
    check("453.5924", "1", WeightUnit::Pound, std::cmp::Ordering::Greater);
    check("250", "2.5", WeightUnit::HundredGrams, std::cmp::Ordering::Equal);
    check("250", "0.25", WeightUnit::Kilogram, std::cmp::Ordering::Equal);
    assert_eq!(mass("16", WeightUnit::Ounce), mass("1.0", WeightUnit::Pound));
    assert_eq!(mass("1000", WeightUnit::Kilogram), 80_000_000_000_000_000);
}

#[test]
fn a_reading_is_what_the_scale_shows() {
    // 1 lb = 16 oz: NIST Handbook 44, appendix C. How scales write their units: common practice, no source.
    let check = |text: &str, expected: &str| {
        let read = Weight::parse_reading(text, WeightUnit::Ounce);
        assert_eq!(read.map_or_else(|e| e.to_string(), |w| w.to_string()), expected, "{text:?}");
    };
    for (text, expected) in [
        ("6.35 oz", "6.35 oz"),
        ("6.35oz", "6.35 oz"),
        (" 6.350 OZ. ", "6.350 oz"),
        ("6.35\u{a0}oz", "6.35 oz"),
        ("6.35", "6.35 oz"),
        ("6", "6 oz"),
        (".5 oz", "0.5 oz"),
        ("6.35 ounces", "6.35 oz"),
        ("1 lb 2.5 oz", "18.5 oz"),
        ("1lb2.5oz", "18.5 oz"),
        ("1 lb. 2.50 oz.", "18.50 oz"),
        ("0 lb 6.35 oz", "6.35 oz"),
        ("2 lbs 0 oz", "32 oz"),
        ("1 pound 15.99 ounces", "31.99 oz"),
        ("2 lb", "2 lb"),
        ("1.25 lb", "1.25 lb"),
        ("180 g", "180 g"),
        ("180.4 grams", "180.4 g"),
        ("0.18 kg", "0.18 kg"),
    ] {
        check(text, expected);
    }
    for text in [
        "",
        " ",
        "oz",
        "6,35 oz",
        "1,250 g",
        "6.35 oz 1 lb",
        "6.35 oz 2 oz",
        "1.5 lb 2 oz",
        "1 lb 2",
        "1 lb 2 g",
        "1 lb 2 oz 3",
        "1 2 oz",
        "-1 oz",
        "+1 oz",
        "1e2 g",
        "6.35 troy oz",
        "6.35 stone",
        "6 3/4 oz",
        "６ oz",
        "6..3 oz",
        "5. oz",
        "1 lb, 2 oz",
        "NaN",
    ] {
        let shown = text.trim();
        check(
            text,
            &format!(
                "“{shown}” is not a weight; enter what the scale shows, such as 6.35 oz, 1 lb 2.5 oz or 180 g"
            ),
        );
    }
    check("1 lb 16 oz", "“1 lb 16 oz” has 16 or more ounces next to its pounds; check the scale again");
    check("0 g", "a weight must be more than 0; check the scale again");
    check("0 lb 0 oz", "a weight must be more than 0; check the scale again");
    check("6.35001 oz", "“6.35001” has more than 4 decimals; enter the weight as the scale shows it");
    check("1001 kg", "1001 kg is heavier than a tonne; check the number and its unit");
}

#[test]
fn bare_digits_are_in_the_unit_of_the_shop() {
    let check = |unit: WeightUnit, expected: &str| {
        assert_eq!(Weight::parse_reading("180", unit).map(|w| w.to_string()).as_deref(), Ok(expected));
    };
    check(WeightUnit::Ounce, "180 oz");
    check(WeightUnit::Pound, "180 lb");
    check(WeightUnit::Gram, "180 g");
    check(WeightUnit::HundredGrams, "180 g");
    check(WeightUnit::Kilogram, "180 kg");
}

#[test]
fn the_bowl_is_taken_off() {
    let check = |gross: &str, tare: &str, expected: &str| {
        let read = |text: &str| Weight::parse_reading(text, WeightUnit::Ounce).unwrap();
        let net = read(gross).less_tare(read(tare));
        assert_eq!(net.map_or_else(|e| e.to_string(), |w| w.to_string()), expected, "{gross} less {tare}");
    };
    check("8.45 oz", "2.1 oz", "6.35 oz");
    check("8.40 oz", "2.1 oz", "6.30 oz");
    check("1 lb 2.5 oz", "2.5 oz", "16.0 oz");
    check("210 g", "30.4 g", "179.6 g");
    check(
        "2.1 oz",
        "2.1 oz",
        "the scale reading of 2.1 oz is not more than the tare of 2.1 oz; weigh again with the bowl or cone, or clear the tare",
    );
    check(
        "2 oz",
        "3 oz",
        "the scale reading of 2 oz is not more than the tare of 3 oz; weigh again with the bowl or cone, or clear the tare",
    );
    check("180 g", "1 oz", "the tare is in oz and the scale reading in g; use the same unit for both");
}
