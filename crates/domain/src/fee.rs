//! Fees that a channel keeps of a sale.

use crate::money::{Currency, Money, MoneyError, TO_MINOR_UNIT, plain_decimal};
use rust_decimal::Decimal;
use std::fmt;

/// Decimals of a percentage: fees are quoted in hundredths (from memory), and one is to spare.
const PERCENT_DECIMALS: u32 = 3;

/// What is wrong with the text of a fee.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FeeError {
    /// Not a percentage, an amount, or both.
    #[error(
        "“{text}” is not a fee; write a percentage, an amount of each sale, or both, such as 3.1% + 0.25, or none"
    )]
    NotAFee {
        /// The text as typed, cut short.
        text: String,
    },
    /// Below 0, or more than the whole sale.
    #[error("{percent}% is not a fee; write 0 to 100 %, with at most {PERCENT_DECIMALS} decimals")]
    NotAPercentage {
        /// The percentage as typed.
        percent: Decimal,
    },
    /// An amount below 0.
    #[error("a fee may not be below 0")]
    Negative,
    /// The amount is not money.
    #[error(transparent)]
    Money(#[from] MoneyError),
}

/// The fee of a channel: a share of what the buyer pays, shipping and tax included, plus a fixed amount
/// per sale (common practice of payment processors, no source).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FeeRule {
    percent: Decimal,
    fixed: Money,
}

impl FeeRule {
    /// From a percentage and a fixed amount per sale.
    pub fn new(percent: Decimal, fixed: Money) -> Result<Self, FeeError> {
        let percent = percent.normalize();
        if percent < Decimal::ZERO || percent > Decimal::ONE_HUNDRED || percent.scale() > PERCENT_DECIMALS {
            return Err(FeeError::NotAPercentage { percent });
        }
        if fixed.is_negative() {
            return Err(FeeError::Negative);
        }
        Ok(Self { percent, fixed })
    }

    /// Reads `3.1% + 0.25`, `3.1%` or `0.25`.
    pub fn parse(text: &str, currency: Currency) -> Result<Self, FeeError> {
        let wrong = || FeeError::NotAFee { text: text.chars().take(40).collect() };
        let percent = |part: &str| {
            let digits = part.trim().strip_suffix('%').map(str::trim_end);
            digits.and_then(plain_decimal).ok_or_else(wrong)
        };
        let (share, fixed) = match text.split_once('+') {
            Some((share, fixed)) => (percent(share)?, Some(fixed)),
            None if text.contains('%') => (percent(text)?, None),
            None => (Decimal::ZERO, Some(text)),
        };
        let fixed = fixed.map(str::trim).map(|part| match plain_decimal(part) {
            Some(_) => Ok(Money::parse(part, currency)?),
            None => Err(wrong()),
        });
        Self::new(share, fixed.transpose()?.unwrap_or(Money::zero(currency)))
    }

    /// The fixed amount per sale.
    pub fn fixed(&self) -> Money {
        self.fixed
    }

    /// The fee of a sale. The share of what was paid is rounded to the minor unit by [`TO_MINOR_UNIT`],
    /// then the fixed amount is added. Nothing paid means no fee.
    pub fn of(&self, paid: Money) -> Result<Money, MoneyError> {
        if paid.is_zero() {
            return Ok(paid);
        }
        let share =
            paid.major().checked_mul(self.percent).ok_or(MoneyError::TooLarge)? / Decimal::ONE_HUNDRED;
        let rounded = share.round_dp_with_strategy(paid.currency().minor_digits(), TO_MINOR_UNIT);
        Money::from_major(rounded, paid.currency())?.plus(self.fixed)
    }
}

impl fmt::Display for FeeRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.percent.is_zero(), self.fixed.is_zero()) {
            (true, _) => write!(f, "{}", self.fixed),
            (false, true) => write!(f, "{}%", self.percent),
            (false, false) => write!(f, "{}% + {}", self.percent, self.fixed),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dollars(text: &str) -> Money {
        Money::parse(text, Currency::USD).unwrap()
    }

    #[test]
    fn a_fee_is_read_and_written_in_one_form() {
        let check = |text: &str, expected: Option<&str>| {
            let read = FeeRule::parse(text, Currency::USD).ok().map(|fee| fee.to_string());
            assert_eq!(read.as_deref(), expected, "{text}");
        };
        check("3.1% + 0.25", Some("3.1% + 0.25"));
        check("3.1%+0.2", Some("3.1% + 0.20"));
        check(" 3.10 % + 0.25 ", Some("3.1% + 0.25"));
        check("5.5%", Some("5.5%"));
        check("0.20", Some("0.20"));
        check("0% + 0.20", Some("0.20"));
        check("3% + 0", Some("3%"));
        check("0", Some("0.00"));
        check("100%", Some("100%"));
        check("1.125%", Some("1.125%"));
        for wrong in [
            "",
            "%",
            "+",
            "3.1% +",
            "+ 0.30",
            "0.25 + 3.1%",
            "2.9",
            "3,1%",
            "3.1% + 0.255",
            "3.1% 0.30",
            "101%",
            "-1%",
            "1.0001%",
            "3.1% + -0.30",
            "3.1% + 0.25 + 1",
            "two",
            "5%%",
        ] {
            let expected = (wrong == "2.9").then_some("2.90");
            check(wrong, expected);
        }
    }

    #[test]
    fn a_wrong_fee_is_refused_in_words() {
        let check = |text: &str, expected: &str| {
            let said = FeeRule::parse(text, Currency::USD).unwrap_err().to_string();
            assert!(said.contains(expected), "{text}: {said}");
        };
        check("two", "such as 3.1% + 0.25");
        check("120%", "write 0 to 100 %");
        check("0.305", "more than 2 decimals");
        check("-0.30", "below 0");
    }

    // Worked out by hand.
    #[test]
    fn the_share_is_rounded_to_the_minor_unit_and_the_amount_added() {
        let check = |rule: &str, paid: &str, expected: &str| {
            let rule = FeeRule::parse(rule, Currency::USD).unwrap();
            assert_eq!(rule.of(dollars(paid)), Ok(dollars(expected)), "{rule} of {paid}");
        };
        check("3.1% + 0.25", "100.00", "3.35");
        check("3.1% + 0.25", "47.63", "1.73"); // 1.47653
        check("2.5%", "1.00", "0.03"); // 0.025, half away from zero
        check("2.5%", "0.99", "0.02"); // 0.02475
        check("0.30", "0.10", "0.30");
        check("3.1% + 0.25", "0.00", "0.00");
        check("100%", "12.34", "12.34");
        let yen = Currency::from_code("JPY").unwrap();
        let rule = FeeRule::parse("4.2%", yen).unwrap();
        let of = |minor| rule.of(Money::from_minor(minor, yen).unwrap()).map(Money::minor);
        assert_eq!((of(1000), of(1250), of(13)), (Ok(42), Ok(53), Ok(1)));
    }
}
