//! Cash rounding and settling. Only the part that is paid in cash is rounded, after tax.

use crate::{cents, dec, money, usd};
use domain::basket::{
    Amount, BasketError, CashRounding, Given, Line, LineMoney, MAX_LINES, MAX_TENDERS, TenderKind, Tie,
    Totals, settle, settle_lines,
};
use domain::money::{Currency, Money};
use domain::split::by_largest_remainder;

fn rule(step: i64, tie: Tie) -> CashRounding {
    CashRounding::to_step(step, tie).unwrap()
}

fn line(amount: Money) -> LineMoney {
    let none = Money::zero(amount.currency());
    LineMoney { amount, discount: none, tax: none }
}

/// Paid completely in cash, to the smallest coin.
fn in_cash(total: Money, rule: CashRounding) -> Totals {
    let none = Money::zero(total.currency());
    let due = settle(&[line(total)], none, &[(TenderKind::Cash, total.plus(total).unwrap())], rule);
    due.unwrap_or_else(|e| panic!("{total}: {e}"))
}

#[test]
fn canada_to_five_cents() {
    // Government of Canada, Budget 2012, “Eliminating the Penny”: 1, 2 down; 3, 4 up; 6, 7 down;
    // 8, 9 up; 0 and 5 stay. Quebec's consumer office: 5.98 → 6.00, 5.97 → 5.95.
    let check = |total: &str, expected: &str| {
        let totals = in_cash(money(total, "CAD"), rule(5, Tie::Up));
        assert_eq!(totals.due, money(expected, "CAD"), "{total} in cash");
        assert_eq!(totals.rounding, money(expected, "CAD").minus(money(total, "CAD")).unwrap());
    };
    check("1.00", "1.00");
    check("1.01", "1.00");
    check("1.02", "1.00");
    check("1.03", "1.05");
    check("1.04", "1.05");
    check("1.05", "1.05");
    check("1.06", "1.05");
    check("1.07", "1.05");
    check("1.08", "1.10");
    check("1.09", "1.10");
    check("5.98", "6.00");
    check("5.97", "5.95");
    check("0.01", "0.00");
    check("0.02", "0.00");
    check("0.03", "0.05");
    check("4.92", "4.90");
    check("138.77", "138.75");
    check("138.78", "138.80");
}

#[test]
fn canadas_published_example() {
    // Budget 2012: 1.83 + 2.86 = 4.69, with 5 % tax 4.92; 4.92 by card, 4.90 in cash.
    let amounts = [money("1.83", "CAD"), money("2.86", "CAD")];
    let cad = Currency::from_code("CAD").unwrap();
    let base = Money::sum(amounts, cad).unwrap();
    assert_eq!(base, money("4.69", "CAD"));
    let tax = Money::rounded_from_major(base.major() * dec("0.05"), cad).unwrap();
    let by_line = by_largest_remainder(tax, &amounts.map(Money::minor)).unwrap();
    let lines: Vec<LineMoney> =
        amounts.iter().zip(by_line).map(|(a, tax)| LineMoney { tax, ..line(*a) }).collect();
    let tendered = |kind, amount: &str| {
        settle(&lines, Money::zero(cad), &[(kind, money(amount, "CAD"))], rule(5, Tie::Up)).unwrap()
    };
    let exact = tendered(TenderKind::Card, "4.92");
    assert_eq!((exact.due, exact.rounding), (money("4.92", "CAD"), money("0", "CAD")));
    let coins = tendered(TenderKind::Cash, "5.00");
    assert_eq!((coins.due, coins.rounding), (money("4.90", "CAD"), money("-0.02", "CAD")));
    assert_eq!(coins.change, money("0.10", "CAD"));
}

#[test]
fn australia_new_zealand_sweden() {
    // Australia to 0.05, New Zealand to 0.10 since 2006, Sweden to the krona since 2010: the English
    // Wikipedia's article “Cash rounding”. That a New Zealand shop chooses where a final 5 goes, and
    // that 0.50 kr goes up, are from memory.
    let check = |currency: &str, step: i64, tie: Tie, total: &str, expected: &str| {
        let due = in_cash(money(total, currency), rule(step, tie)).due;
        assert_eq!(due, money(expected, currency), "{total} {currency}, tie {tie:?}");
    };
    check("AUD", 5, Tie::Up, "20.42", "20.40");
    check("AUD", 5, Tie::Up, "20.43", "20.45");
    for (total, down, up) in [
        ("0.01", "0.00", "0.00"),
        ("0.02", "0.00", "0.00"),
        ("0.03", "0.00", "0.00"),
        ("0.04", "0.00", "0.00"),
        ("0.05", "0.00", "0.10"),
        ("0.06", "0.10", "0.10"),
        ("0.07", "0.10", "0.10"),
        ("0.08", "0.10", "0.10"),
        ("0.09", "0.10", "0.10"),
        ("4.92", "4.90", "4.90"),
        ("138.75", "138.70", "138.80"),
        ("138.77", "138.80", "138.80"),
        ("138.78", "138.80", "138.80"),
    ] {
        check("NZD", 10, Tie::Down, total, down);
        check("NZD", 10, Tie::Up, total, up);
    }
    check("SEK", 100, Tie::Up, "223.49", "223");
    check("SEK", 100, Tie::Up, "223.50", "224");
    check("SEK", 100, Tie::Up, "324.88", "325");
    check("USD", 1, Tie::Up, "4.92", "4.92");
}

#[test]
fn a_refund_in_cash_gives_back_what_was_paid() {
    for step in [1, 5, 10, 100] {
        for tie in [Tie::Up, Tie::Down] {
            for minor in 0..=250 {
                let (paid, back) =
                    (rule(step, tie).round(cents(minor)), rule(step, tie).round(cents(-minor)));
                assert_eq!(back, paid.map(Money::negated), "{minor} by {step}, tie {tie:?}");
            }
        }
    }
}

#[test]
fn only_the_cash_part_is_rounded() {
    let five = rule(5, Tie::Up);
    let check = |total: &str, tenders: &[Given], rounding: &str, change: &str| {
        let totals = settle(&[line(usd(total))], usd("0"), tenders, five).unwrap();
        assert_eq!((totals.rounding, totals.change), (usd(rounding), usd(change)), "{total} by {tenders:?}");
    };
    check("9.92", &[(TenderKind::Card, usd("9.92"))], "0", "0");
    check("9.92", &[(TenderKind::Card, usd("5.00")), (TenderKind::Cash, usd("4.90"))], "-0.02", "0");
    check("9.93", &[(TenderKind::Check, usd("5.00")), (TenderKind::Cash, usd("10"))], "0.02", "5.05");
    check("9.92", &[(TenderKind::GiftCertificate, usd("9.90")), (TenderKind::Cash, usd("0"))], "-0.02", "0");
    check("9.92", &[(TenderKind::Cash, usd("5")), (TenderKind::Cash, usd("5"))], "-0.02", "0.10");
    check("9.92", &[(TenderKind::Online, usd("9.92")), (TenderKind::Cash, usd("1"))], "0", "1");
    check("0", &[], "0", "0");
}

#[test]
fn what_does_not_settle_is_refused() {
    let check = |total: &str, tenders: &[Given], expected: &str| {
        let refused = settle(&[line(usd(total))], usd("0"), tenders, CashRounding::NONE).unwrap_err();
        assert!(refused.to_string().contains(expected), "{refused}");
    };
    check("10", &[], "$10.00 is due, but $0.00 was received; $10.00 is missing");
    check("10", &[(TenderKind::Cash, usd("9.99"))], "$0.01 is missing");
    check("10", &[(TenderKind::Card, usd("9.99"))], "$0.01 is missing");
    check("10", &[(TenderKind::Card, usd("10.01"))], "only cash gives change");
    check(
        "10",
        &[(TenderKind::OnAccount, usd("11")), (TenderKind::Cash, usd("5"))],
        "only cash gives change",
    );
    check("10", &[(TenderKind::Cash, usd("-10"))], "a payment may not be below 0");
    check("10", &[(TenderKind::Cash, usd("1")); MAX_TENDERS + 1], "at most 20 payments");
    let euro = [(TenderKind::Cash, money("10", "EUR"))];
    check("10", &euro, "cannot be added");
}

#[test]
fn lines_that_make_no_sale_are_refused() {
    let of = |amount: i64, discount: i64, tax: i64| Line {
        amount: cents(amount),
        discount: cents(discount),
        tax: cents(tax),
    };
    let check = |lines: &[Line], order_discount: i64, expected: &BasketError| {
        assert_eq!(settle_lines(lines, cents(order_discount)).as_ref(), Err(expected));
    };
    let too_large =
        |discount, amount| BasketError::DiscountTooLarge { discount: cents(discount), amount: cents(amount) };
    check(&[], 0, &BasketError::NoLines);
    check(&[of(1, 0, 0); MAX_LINES + 1], 0, &BasketError::TooManyLines);
    check(&[of(-1, 0, 0)], 0, &BasketError::Negative { what: Amount::Line });
    check(&[of(1, -1, 0)], 0, &BasketError::Negative { what: Amount::Discount });
    check(&[of(1, 0, -1)], 0, &BasketError::Negative { what: Amount::Tax });
    check(&[of(1, 0, 0)], -1, &BasketError::Negative { what: Amount::OrderDiscount });
    check(&[of(100, 101, 0)], 0, &too_large(101, 100));
    check(&[of(100, 40, 0), of(50, 0, 0)], 111, &too_large(111, 110));
    assert!(settle_lines(&[of(100, 40, 0), of(50, 0, 0)], cents(110)).is_ok());
}

#[test]
fn a_smallest_coin_has_a_limit() {
    for (step, fits) in [(0, false), (-5, false), (1, true), (10_000, true), (10_001, false)] {
        assert_eq!(CashRounding::to_step(step, Tie::Up).is_some(), fits, "{step}");
    }
}
