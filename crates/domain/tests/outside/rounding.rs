//! Rounding to the minor unit: rate × weight, tax, discounts, and splitting.

use crate::{cents, dec, money, usd};
use domain::basket::{Line, settle_lines};
use domain::money::{Currency, Money, MoneyError};
use domain::pricing::{PriceEnding, PriceError, PriceRule, WeightRate};
use domain::split::by_largest_remainder;
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;

fn by_weight(weight: &str, rate: &str, currency: &str) -> Result<Money, PriceError> {
    let rate = WeightRate::new(dec(rate), WeightUnit::Ounce)?;
    let rule = PriceRule { rate, ending: PriceEnding::Exact, minimum: None };
    let none = Money::zero(Currency::from_code(currency).unwrap());
    rule.price(Weight::parse(weight, WeightUnit::Ounce)?, none).map(|calculation| calculation.price)
}

#[test]
fn minor_units_are_those_of_iso_4217() {
    // ISO 4217 list one, open data set of 2026-02.
    let check = |code: &str, digits: u32, one: &str| {
        let currency = Currency::from_code(code).unwrap();
        assert_eq!((currency.code(), currency.minor_digits()), (code, digits));
        assert_eq!(Money::from_minor(1, currency).unwrap().to_string(), one, "{code}");
        assert_eq!(money(one, code).minor(), 1, "{code}");
    };
    for code in ["USD", "CAD", "EUR", "GBP", "AUD", "NZD", "SEK", "CHF", "MXN"] {
        check(code, 2, "0.01");
    }
    for code in ["JPY", "KRW", "ISK"] {
        check(code, 0, "1");
    }
    check("KWD", 3, "0.001");
    check("CLF", 4, "0.0001");
    // Gold is listed without minor units: it is not money for a shop. The others are not codes.
    for wrong in ["XAU", "036", "840", "usd", "US$", "EURO", "XTS", "XXX"] {
        assert!(Currency::from_code(wrong).is_err(), "{wrong}");
    }
}

#[test]
fn weight_times_rate_is_half_up() {
    // Products by exact decimals, a half away from zero; worked here.
    let check = |weight: &str, rate: &str, currency: &str, expected: &str| {
        let price = by_weight(weight, rate, currency);
        assert_eq!(price, Ok(money(expected, currency)), "{weight} oz at {rate} {currency}");
    };
    check("9.25", "15.00", "USD", "138.75");
    check("3.75", "14.99", "USD", "56.21");
    check("3.33", "14.99", "USD", "49.92");
    check("0.25", "12.50", "USD", "3.13");
    check("0.75", "12.50", "USD", "9.38");
    check("0.50", "10.01", "USD", "5.01");
    check("2.50", "0.33", "USD", "0.83");
    check("12.34", "8.75", "USD", "107.98");
    check("8.05", "12.50", "USD", "100.63");
    check("0.01", "0.50", "USD", "0.01");
    check("999.99", "999.99", "USD", "999980.00");
    check("9.25", "1450", "JPY", "13413");
    check("9.25", "1.3335", "KWD", "12.335");
    // 0.0049 rounds to 0.00, and a price of 0 is refused.
    assert_eq!(by_weight("0.01", "0.49", "USD"), Err(PriceError::Nothing));
}

#[test]
fn binary_floating_point_would_be_a_cent_short() {
    // Exact products end in a half; multiplied as f64, times 100, plus 0.5, cut off, they fall
    // below it. Worked here, and the f64 column is computed beside it.
    let check = |weight: &str, rate: &str, expected: &str, in_floats: &str| {
        assert_eq!(by_weight(weight, rate, "USD"), Ok(usd(expected)), "{weight} × {rate}");
        let (w, r): (f64, f64) = (weight.parse().unwrap(), rate.parse().unwrap());
        let floats = (w * r * 100.0 + 0.5).floor() / 100.0;
        assert_eq!(format!("{floats:.2}"), in_floats, "{weight} × {rate} in f64");
        assert_ne!(expected, in_floats);
    };
    check("0.15", "6.90", "1.04", "1.03");
    check("0.29", "12.50", "3.63", "3.62");
    check("0.57", "12.50", "7.13", "7.12");
    check("0.58", "8.75", "5.08", "5.07");
    check("1.13", "12.50", "14.13", "14.12");
    check("1.15", "12.50", "14.38", "14.37");
}

#[test]
fn a_refund_rounds_as_its_sale() {
    // round(−x) = −round(x): half away from zero, worked here.
    let check = |exact: &str, expected: &str| {
        let round = |text: &str| Money::rounded_from_major(dec(text), Currency::USD).unwrap();
        assert_eq!(round(exact), usd(expected), "{exact}");
        assert_eq!(round(&format!("-{exact}")), usd(expected).negated(), "-{exact}");
    };
    check("0.125", "0.13");
    check("2.675", "2.68");
    check("0.005", "0.01");
    check("0.004", "0.00");
    check("1.5", "1.50");
}

#[test]
fn tax_rounds_once_from_the_exact_product() {
    // Streamlined Sales and Use Tax Agreement, section 324, as enacted in R.I. Gen. Laws
    // 44-18.1-25 and N.D. Cent. Code 57-39.4-25: a third decimal above 4 goes up. Products worked here.
    let check = |base: &str, percent: &str, expected: &str| {
        let tax = Money::rounded_from_major(dec(base) * dec(percent) / Decimal::ONE_HUNDRED, Currency::USD);
        assert_eq!(tax, Ok(usd(expected)), "{percent} % of {base}");
    };
    check("10.00", "6.25", "0.63");
    check("13.52", "6.25", "0.85");
    check("138.75", "6.25", "8.67");
    check("138.75", "8.25", "11.45");
    check("101.50", "7.375", "7.49");
    check("56.25", "6.625", "3.73");
    check("1.07", "7", "0.07");
    check("0.07", "7", "0.00");
    check("0.08", "7", "0.01");
    check("0.37", "6.625", "0.02");
    check("0.61", "7.375", "0.04");
    check("0.73", "8.875", "0.06");
    check("0.30", "8.25", "0.02");
}

#[test]
fn a_discount_is_rounded_and_then_taken_off() {
    // The order is ours, the figures by exact decimals: a discount is an amount of money, rounded, and
    // the net is what is left.
    let check = |amount: &str, discount: &str, net: &str, wrong_way_round: &str| {
        let off = Money::rounded_from_major(dec(amount) * dec("0.15"), Currency::USD).unwrap();
        assert_eq!(off, usd(discount), "15 % of {amount}");
        let line = Line { amount: usd(amount), discount: off, tax: usd("0") };
        let settled = settle_lines(&[line], usd("0")).unwrap();
        assert_eq!(settled[0].amount.minus(settled[0].discount), Ok(usd(net)), "{amount} less 15 %");
        let direct = Money::rounded_from_major(dec(amount) * dec("0.85"), Currency::USD);
        assert_eq!(direct, Ok(usd(wrong_way_round)), "{amount} × 0.85");
    };
    check("138.75", "20.81", "117.94", "117.94");
    check("101.50", "15.23", "86.27", "86.28");
    check("10.10", "1.52", "8.58", "8.59");
}

#[test]
fn an_order_discount_is_spread_by_largest_remainder() {
    // Largest remainder by exact fractions, worked here.
    let check = |discount: i64, lines: &[i64], expected: &[i64]| {
        let no_tax = |minor: &i64| Line { amount: cents(*minor), discount: cents(0), tax: cents(0) };
        let lines: Vec<Line> = lines.iter().map(no_tax).collect();
        let settled = settle_lines(&lines, cents(discount)).unwrap();
        assert_eq!(settled.iter().map(|l| l.discount.minor()).collect::<Vec<_>>(), expected);
    };
    check(1000, &[1000, 1000, 1000], &[334, 333, 333]);
    check(1000, &[13_875, 10_150, 5625], &[468, 342, 190]);
    check(5, &[100; 6], &[1, 1, 1, 1, 1, 0]);
    check(500, &[100, 200, 300, 700], &[39, 77, 115, 269]);
    check(0, &[100, 200], &[0, 0]);
    check(300, &[100, 200], &[100, 200]);
    check(0, &[0, 0], &[0, 0]);
    check(7, &[0, 7, 0], &[0, 7, 0]);
}

#[test]
fn a_split_adds_up_whatever_the_sign() {
    let check = |amount: i64, weights: &[i64], expected: &[i64]| {
        let parts = by_largest_remainder(cents(amount), weights).unwrap();
        assert_eq!(parts.iter().map(|p| p.minor()).collect::<Vec<_>>(), expected, "{amount} by {weights:?}");
    };
    check(1000, &[1, 1, 1], &[334, 333, 333]);
    check(-1000, &[1, 1, 1], &[-334, -333, -333]);
    check(1, &[0, 0, 5], &[0, 0, 1]);
    check(2, &[0, 0], &[1, 1]);
}

#[test]
fn an_amount_beyond_the_books_is_refused() {
    let most = Money::from_minor(domain::money::MAX_MINOR, Currency::USD).unwrap();
    assert_eq!(most.plus(cents(1)), Err(MoneyError::TooLarge));
    assert_eq!(most.negated().minus(cents(1)), Err(MoneyError::TooLarge));
    assert_eq!(Money::from_minor(i64::MIN, Currency::USD), Err(MoneyError::TooLarge));
    let heavy = by_weight("35000", "1000000", "USD");
    assert!(matches!(heavy, Err(PriceError::Money(MoneyError::OverLimit { .. }))), "{heavy:?}");
}
