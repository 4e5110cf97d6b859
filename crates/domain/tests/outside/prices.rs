//! Prices by weight: agreement with the quantity, endings, minimum and extras.

use crate::{cents, dec, usd};
use domain::money::{Currency, Money};
use domain::pricing::{Calculation, PriceEnding, PriceError, PriceRule, WeightRate, margin};
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;

struct Asked<'a> {
    weight: &'a str,
    rate: &'a str,
    ending: &'a str,
    minimum: Option<&'a str>,
    extras: &'a str,
}

/// Six and a bit ounces at 7.50, before anything is added.
const PLAIN: Asked<'_> =
    Asked { weight: "6.35 ONZ", rate: "7.50 ONZ", ending: "exact", minimum: None, extras: "0" };

fn price(asked: &Asked<'_>) -> Result<Calculation, PriceError> {
    let (weight, unit) = asked.weight.split_once(' ').unwrap();
    let (rate, per) = asked.rate.split_once(' ').unwrap();
    let rule = PriceRule {
        rate: WeightRate::parse(rate, per)?,
        ending: PriceEnding::parse(asked.ending, Currency::USD)?,
        minimum: asked.minimum.map(usd),
    };
    rule.price(Weight::parse(weight, WeightUnit::from_code(unit)?)?, usd(asked.extras))
}

#[test]
fn a_price_agrees_with_its_quantity_to_the_nearest_cent() {
    // NIST Handbook 44, General Code 1.10, G-S.5.5 (wording from memory): a money value agrees
    // with its quantity to the nearest cent; so no price is more than half a cent away.
    let half_cent = dec("0.005");
    for rate in ["0.33", "1.999999", "2.0625", "6.90", "7.50", "12.50", "14.99", "120"] {
        for twentieths in 1..=1280 {
            let weight = Decimal::new(twentieths * 5, 2);
            let exact = weight * dec(rate);
            let asked = Asked { weight: &format!("{weight} ONZ"), rate: &format!("{rate} ONZ"), ..PLAIN };
            let calculation = price(&asked).unwrap();
            assert!((calculation.price.major() - exact).abs() <= half_cent, "{weight} oz at {rate}");
        }
    }
}

#[test]
fn what_the_trade_asks() {
    // Common practice, no source: yarn at 32 to 35 dollars a pound is about 2 dollars an ounce,
    // and a piece of 5.6 oz at 6 to 8 dollars an ounce costs 33.60 to 44.80.
    let check = |weight: &str, rate: &str, expected: &str| {
        let calculation = price(&Asked { weight, rate, ..PLAIN }).unwrap();
        assert_eq!(calculation.price, usd(expected), "{weight} at {rate}");
    };
    check("1 ONZ", "32 LBR", "2.00");
    check("1 ONZ", "35 LBR", "2.19");
    check("1 LBR", "32 LBR", "32.00");
    check("16 ONZ", "35 LBR", "35.00");
    check("5.6 ONZ", "6 ONZ", "33.60");
    check("5.6 ONZ", "7 ONZ", "39.20");
    check("5.6 ONZ", "8 ONZ", "44.80");
}

#[test]
fn a_rate_in_another_unit_is_taken_exactly() {
    // Exact fractions of NIST Handbook 44's pound, rounded once, half up; worked here.
    let check = |weight: &str, rate: &str, expected: &str| {
        let calculation = price(&Asked { weight, rate, ..PLAIN }).unwrap();
        assert_eq!(calculation.price, usd(expected), "{weight} at {rate}");
    };
    check("100 GRM", "7.50 ONZ", "26.46"); // 26.455471…
    check("100 GRM", "32 LBR", "7.05"); // 7.054792…
    check("250 GRM", "12.40 HGM", "31.00");
    check("0.25 KGM", "12.40 HGM", "31.00");
    check("6.35 ONZ", "0.2645 GRM", "47.62"); // 47.6151…
    check("1 LBR", "0.10 GRM", "45.36"); // 45.359237
    check("1 LBR", "70.55 KGM", "32.00"); // 32.0009…
    // 45359237 = 11 × 4123567, so these end exactly in half a cent, which a quotient that is cut
    // somewhere falls short of.
    check("0.55 GRM", "4.123567 LBR", "0.01"); // 0.005
    check("1.65 GRM", "4.123567 LBR", "0.02"); // 0.015
    check("5.5 GRM", "12.370701 LBR", "0.15"); // 0.15
    check("110.55 GRM", "4.123567 LBR", "1.01"); // 1.005
}

#[test]
fn endings() {
    // The rule is ours; the figures were worked by hand.
    let check = |amount: i64, ending: &str, expected: i64| {
        let ending = PriceEnding::parse(ending, Currency::USD).unwrap();
        assert_eq!(ending.end(cents(amount)), Ok(cents(expected)), "{amount} ending {ending}");
    };
    check(4763, "exact", 4763);
    check(4763, "five", 4765);
    check(4762, "five", 4760);
    check(4763, "whole", 4800);
    check(4749, "whole", 4700);
    check(4750, "whole", 4800);
    check(49, "whole", 0);
    check(50, "whole", 100);
    check(4763, "0.95", 4795);
    check(4745, "0.95", 4795); // midway between 46.95 and 47.95
    check(4744, "0.95", 4695);
    check(1, "0.95", 95); // never below the ending itself
    check(144, "0.95", 95);
    check(145, "0.95", 195);
    check(4763, "0.5", 4750);
    check(4700, "0.50", 4750); // a tie goes up
    check(0, "0.99", 99);
    for wrong in ["", "0", "1", "0.955", "-0.95", "95", "Whole", "nine", ".95", "0,95"] {
        assert!(PriceEnding::parse(wrong, Currency::USD).is_err(), "{wrong:?}");
    }
    let yen = Currency::from_code("JPY").unwrap();
    assert!(PriceEnding::parse("0.95", yen).is_err(), "yen have no fraction");
    assert_eq!(PriceEnding::Five.end(Money::from_minor(13_413, yen).unwrap()).unwrap().minor(), 13_413);
}

#[test]
fn the_working_says_how_the_price_came_about() {
    let check = |asked: &Asked<'_>, price_cents: &str, words: &str| {
        let calculation = price(asked).unwrap();
        assert_eq!((calculation.price, calculation.to_string()), (usd(price_cents), words.to_owned()));
    };
    check(&PLAIN, "47.63", "6.35 oz × 7.50 an ounce = 47.63");
    check(&Asked { ending: "whole", ..PLAIN }, "48", "6.35 oz × 7.50 an ounce = 47.63 → 48.00");
    check(
        &Asked { ending: "0.95", extras: "4.00", ..PLAIN },
        "51.95",
        "6.35 oz × 7.50 an ounce = 47.63 + 4.00 extras → 51.95",
    );
    check(
        &Asked { weight: "0.50 ONZ", minimum: Some("12.00"), ..PLAIN },
        "12.00",
        "0.50 oz × 7.50 an ounce = 3.75 → 12.00 (the least for this style)",
    );
    check(&Asked { minimum: Some("12.00"), ..PLAIN }, "47.63", "6.35 oz × 7.50 an ounce = 47.63");
    check(&Asked { rate: "1.999999 ONZ", ..PLAIN }, "12.70", "6.35 oz × 1.999999 an ounce = 12.70");
}

#[test]
fn what_gives_no_price_is_refused() {
    let check = |asked: &Asked<'_>, expected: &str| {
        let refused = price(asked).unwrap_err().to_string();
        assert!(refused.contains(expected), "{refused}");
    };
    check(&Asked { weight: "0.01 ONZ", rate: "0.49 ONZ", ..PLAIN }, "comes to 0");
    check(&Asked { weight: "0.05 ONZ", ending: "whole", ..PLAIN }, "comes to 0");
    check(&Asked { rate: "0 ONZ", ..PLAIN }, "more than 0");
    check(&Asked { rate: "-1 ONZ", ..PLAIN }, "more than 0");
    check(&Asked { rate: "1000000.01 ONZ", ..PLAIN }, "at most a million");
    check(&Asked { rate: "7.1234567 ONZ", ..PLAIN }, "at most 6 decimals");
    check(&Asked { rate: "7,50 ONZ", ..PLAIN }, "is not a rate");
    check(&Asked { rate: "7.50 APZ", ..PLAIN }, "not a weight unit");
    check(&Asked { extras: "-1", ..PLAIN }, "may not be below 0");
    check(&Asked { minimum: Some("-1"), ..PLAIN }, "may not be below 0");
    check(&Asked { ending: "0.999", ..PLAIN }, "is not a price ending");
}

#[test]
fn a_rate_comes_back_from_millionths() {
    for text in ["7.50", "0.000001", "1000000", "1.999999"] {
        let rate = WeightRate::parse(text, "ONZ").unwrap();
        assert_eq!(
            WeightRate::from_millionths(rate.millionths(), WeightUnit::Ounce).unwrap().per(),
            dec(text)
        );
    }
    assert!(WeightRate::from_millionths(0, WeightUnit::Ounce).is_err());
}

#[test]
fn margin_is_price_less_cost() {
    assert_eq!(margin(usd("47.63"), Some(usd("18.20"))), Ok(Some(usd("29.43"))));
    assert_eq!(margin(usd("10"), Some(usd("12.50"))), Ok(Some(usd("-2.50"))));
    assert_eq!(margin(usd("10"), None), Ok(None), "a cost that is not known is not 0");
}
