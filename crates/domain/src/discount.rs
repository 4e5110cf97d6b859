//! Discounts: an amount, or a percentage.

use crate::money::{Currency, Money, MoneyError, TO_MINOR_UNIT, plain_decimal};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Decimals of a percentage: a third is 33.33%.
const PERCENT_DIGITS: u32 = 2;

/// A discount on one line or on the whole sale.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WrittenOff", into = "WrittenOff")]
pub struct Off(Kind);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Amount(Money),
    Percent(Decimal),
}

/// A stored discount. Reading it repeats the check of its constructor.
#[derive(Clone, Copy, Serialize, Deserialize)]
enum WrittenOff {
    Amount(Money),
    Percent(Decimal),
}

/// What is wrong with a discount.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OffError {
    /// Not above 0, above 100%, or with too many decimals.
    #[error("a percentage must be above 0 and at most 100, with at most {PERCENT_DIGITS} decimals")]
    NotAPercentage,
    /// An amount of 0 or less.
    #[error("a discount must be more than 0")]
    NotPositive,
    /// Neither an amount nor a percentage.
    #[error("enter an amount such as 5.00, or a percentage such as 10%")]
    NotRead(#[from] MoneyError),
}

impl TryFrom<WrittenOff> for Off {
    type Error = OffError;
    fn try_from(written: WrittenOff) -> Result<Self, OffError> {
        match written {
            WrittenOff::Amount(amount) => Self::amount(amount),
            WrittenOff::Percent(percent) => Self::percent(percent),
        }
    }
}

impl From<Off> for WrittenOff {
    fn from(off: Off) -> Self {
        match off.0 {
            Kind::Amount(amount) => Self::Amount(amount),
            Kind::Percent(percent) => Self::Percent(percent),
        }
    }
}

impl Off {
    /// All of the price.
    pub const ALL: Self = Self(Kind::Percent(Decimal::ONE_HUNDRED));

    /// An amount of money, more than 0.
    pub fn amount(amount: Money) -> Result<Self, OffError> {
        if amount.minor() <= 0 { Err(OffError::NotPositive) } else { Ok(Self(Kind::Amount(amount))) }
    }

    /// A percentage, above 0 and at most 100.
    pub fn percent(percent: Decimal) -> Result<Self, OffError> {
        let fits = percent > Decimal::ZERO && percent <= Decimal::ONE_HUNDRED;
        if fits && percent.normalize().scale() <= PERCENT_DIGITS {
            return Ok(Self(Kind::Percent(percent)));
        }
        Err(OffError::NotAPercentage)
    }

    /// Reads `5.00` or `10%`.
    pub fn parse(text: &str, currency: Currency) -> Result<Self, OffError> {
        match text.trim().strip_suffix('%') {
            Some(percent) => Self::percent(plain_decimal(percent.trim()).ok_or(OffError::NotAPercentage)?),
            None => Self::amount(Money::parse(text.trim(), currency)?),
        }
    }

    /// What it takes off an amount, rounded to the minor unit. An amount of money may be more than the
    /// price; settling the sale rejects that.
    pub fn of(self, amount: Money) -> Result<Money, MoneyError> {
        match self.0 {
            Kind::Amount(off) => Ok(off),
            Kind::Percent(percent) => {
                let exact = amount.major() * percent / Decimal::ONE_HUNDRED;
                let digits = amount.currency().minor_digits();
                Money::computed(exact.round_dp_with_strategy(digits, TO_MINOR_UNIT), amount.currency())
            }
        }
    }
}

impl Off {
    /// For people to read: `$5.00`, `12.5%`.
    pub fn shown(self) -> String {
        match self.0 {
            Kind::Amount(amount) => amount.shown(),
            Kind::Percent(percent) => format!("{}%", percent.normalize()),
        }
    }
}

impl fmt::Display for Off {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Kind::Amount(amount) => write!(f, "{amount}"),
            Kind::Percent(percent) => write!(f, "{} %", percent.normalize()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_amount_or_a_percentage_is_taken_off() {
        let check = |text: &str, from: i64, expected: Result<i64, &str>| {
            let amount = Money::from_minor(from, Currency::USD).expect("an amount");
            let off = Off::parse(text, Currency::USD).map_err(|e| e.to_string());
            let found = off.map(|off| off.of(amount).expect("an amount").minor());
            assert_eq!(found, expected.map_err(str::to_owned), "{text} off {from}");
        };
        let percentage = Err("a percentage must be above 0 and at most 100, with at most 2 decimals");
        let neither = Err("enter an amount such as 5.00, or a percentage such as 10%");
        check("5", 2000, Ok(500));
        check("5.25", 100, Ok(525));
        check("10 %", 4763, Ok(476));
        check("10%", 4765, Ok(477));
        check("33.33 %", 300, Ok(100));
        check("100 %", 4763, Ok(4763));
        check("0 %", 1, percentage);
        check("101 %", 1, percentage);
        check("-5 %", 1, percentage);
        check("1.234 %", 1, percentage);
        check("0", 1, Err("a discount must be more than 0"));
        check("-1", 1, Err("a discount must be more than 0"));
        check("a lot", 1, neither);
        check("1.005", 1, neither);
    }

    #[test]
    fn written_down_and_read_back_it_is_the_same_or_refused() {
        let off = Off::parse("12.5 %", Currency::USD).expect("a percentage");
        assert_eq!(Off::try_from(WrittenOff::from(off)), Ok(off));
        assert_eq!(Off::try_from(WrittenOff::Percent(Decimal::from(120))), Err(OffError::NotAPercentage));
        assert_eq!(Off::try_from(WrittenOff::Amount(Money::zero(Currency::USD))), Err(OffError::NotPositive));
        assert_eq!((off.to_string().as_str(), off.shown().as_str()), ("12.5 %", "12.5%"));
        let off = Off::parse("5", Currency::USD).expect("an amount");
        assert_eq!((off.to_string().as_str(), off.shown().as_str()), ("5.00", "$5.00"));
    }
}
