//! Money, in integer minor units of one ISO 4217 currency.

use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// The largest sum in minor units, positive or negative: two of them still add up below 2^63.
pub const MAX_MINOR: i64 = 4_000_000_000_000_000_000;

/// The largest price, discount, payment or sale, in minor units: a thousand million major units in a
/// currency with two decimals. That is more than any real one, and far less than a stuck zero key would
/// make. Ninety million of them add up below 2^63.
pub const MAX_AMOUNT: i64 = 100_000_000_000;

/// The largest sum of one channel's day, in minor units, positive or negative: ten thousand sales at
/// [`MAX_AMOUNT`]. Nine thousand such days of all channels add up below 2^63.
pub const MAX_DAY: i64 = 1_000_000_000_000_000;

/// The most cash that a drawer is expected to contain, in minor units; its column can store twice as
/// much.
pub const MAX_DRAWER: i64 = 500_000_000_000;

/// How a computed amount becomes whole minor units: to the nearest, a half away from zero, so that a
/// refund rounds like its sale (`round(-x) == -round(x)`).
pub const TO_MINOR_UNIT: RoundingStrategy = RoundingStrategy::MidpointAwayFromZero;

/// An ISO 4217 currency with its number of decimals.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Currency {
    code: [u8; 3],
    digits: u8,
}

/// Currencies that do not have two decimals (ISO 4217 list one, 2026-02).
const OTHER_DIGITS: &[(&str, u8)] = &[
    ("BHD", 3),
    ("BIF", 0),
    ("CLF", 4),
    ("CLP", 0),
    ("DJF", 0),
    ("GNF", 0),
    ("IQD", 3),
    ("ISK", 0),
    ("JOD", 3),
    ("JPY", 0),
    ("KMF", 0),
    ("KRW", 0),
    ("KWD", 3),
    ("LYD", 3),
    ("OMR", 3),
    ("PYG", 0),
    ("RWF", 0),
    ("TND", 3),
    ("UGX", 0),
    ("UYI", 0),
    ("UYW", 4),
    ("VND", 0),
    ("VUV", 0),
    ("XAF", 0),
    ("XOF", 0),
    ("XPF", 0),
];

/// Active codes with two decimals (ISO 4217 list one, 2026-02), without precious metals, test codes and
/// bond units, which are not money for a shop.
const TWO_DIGITS: &str = "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BOV BRL BSD \
    BTN BWP BYN BZD CAD CDF CHE CHF CHW CNY COP COU CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR \
    FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD \
    KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN \
    NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS \
    SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD USN UYU UZS VED VES WST XCD \
    XCG YER ZAR ZMW ZWG";

impl Currency {
    /// The U.S. dollar, the currency of a new shop.
    pub const USD: Self = Self { code: *b"USD", digits: 2 };

    /// Looks up an active ISO 4217 currency by its code in capital letters.
    pub fn from_code(code: &str) -> Result<Self, MoneyError> {
        let unknown = || MoneyError::UnknownCurrency { code: code.chars().take(12).collect() };
        let bytes: [u8; 3] = code.as_bytes().try_into().map_err(|_| unknown())?;
        let listed = OTHER_DIGITS.iter().find(|(c, _)| *c == code).map(|(_, d)| *d);
        let digits = match listed {
            Some(digits) => digits,
            None if TWO_DIGITS.split_whitespace().any(|c| c == code) => 2,
            None => return Err(unknown()),
        };
        Ok(Self { code: bytes, digits })
    }

    /// The three-letter code.
    pub fn code(&self) -> &str {
        std::str::from_utf8(&self.code).unwrap_or("???")
    }

    /// The number of decimals.
    pub fn minor_digits(self) -> u32 {
        u32::from(self.digits)
    }

    /// One major unit in minor units: 100 for dollars, 1 for yen.
    pub fn minor_per_major(self) -> i64 {
        10_i64.pow(self.minor_digits())
    }
}

impl fmt::Debug for Currency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

impl fmt::Display for Currency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

impl Serialize for Currency {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(self.code())
    }
}

impl<'de> Deserialize<'de> for Currency {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let code = String::deserialize(d)?;
        Self::from_code(&code).map_err(serde::de::Error::custom)
    }
}

/// What is wrong with an amount of money.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MoneyError {
    /// Not an active ISO 4217 code.
    #[error("“{code}” is not a currency of ISO 4217; write its three capital letters, such as USD")]
    UnknownCurrency {
        /// The code as typed, cut short.
        code: String,
    },
    /// Two currencies in one sum.
    #[error("{left} and {right} cannot be added: a shop has one currency")]
    MixedCurrencies {
        /// The currency of the first amount.
        left: Currency,
        /// The currency of the second amount.
        right: Currency,
    },
    /// More than [`MAX_MINOR`].
    #[error("the amount is larger than a shop can book")]
    TooLarge,
    /// More than [`MAX_AMOUNT`].
    #[error("{amount} is more than {limit}, the most that one amount may be; check it for an extra digit")]
    OverLimit {
        /// The amount as typed or computed, cut short.
        amount: String,
        /// [`MAX_AMOUNT`] in this currency.
        limit: Money,
    },
    /// Not a plain decimal number.
    #[error("“{text}” is not an amount; enter digits with a point, such as 47.50")]
    NotAnAmount {
        /// The text as typed, cut short.
        text: String,
    },
    /// More decimals than the currency has.
    #[error("“{text}” has more than {digits} decimals, the most that {currency} has")]
    TooManyDecimals {
        /// The text as typed.
        text: String,
        /// How many decimals the currency has.
        digits: u32,
        /// The currency.
        currency: Currency,
    },
}

/// An amount in whole minor units, at most [`MAX_MINOR`] either way.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "WrittenMoney")]
pub struct Money {
    minor: i64,
    currency: Currency,
}

/// A stored amount. Reading it repeats the check of its constructor.
#[derive(Deserialize)]
struct WrittenMoney {
    minor: i64,
    currency: Currency,
}

impl TryFrom<WrittenMoney> for Money {
    type Error = MoneyError;
    fn try_from(written: WrittenMoney) -> Result<Self, MoneyError> {
        Self::from_minor(written.minor, written.currency)
    }
}

impl Money {
    /// An amount of 0.
    pub const fn zero(currency: Currency) -> Self {
        Self { minor: 0, currency }
    }

    /// From whole minor units (cents).
    pub fn from_minor(minor: i64, currency: Currency) -> Result<Self, MoneyError> {
        if minor.checked_abs().is_none_or(|m| m > MAX_MINOR) {
            return Err(MoneyError::TooLarge);
        }
        Ok(Self { minor, currency })
    }

    /// Checks that it can be one price, discount, payment or sale: at most [`MAX_AMOUNT`] either way.
    pub fn within_limit(self) -> Result<Self, MoneyError> {
        if self.minor.abs() > MAX_AMOUNT {
            return Err(over_limit(self.major(), self.currency));
        }
        Ok(self)
    }

    /// From major units with no more decimals than the currency has, at most [`MAX_AMOUNT`]. Nothing is
    /// rounded.
    pub fn from_major(major: Decimal, currency: Currency) -> Result<Self, MoneyError> {
        match Self::computed(major, currency) {
            Err(MoneyError::TooLarge) => Err(over_limit(major, currency)),
            money => money?.within_limit(),
        }
    }

    /// Like [`Money::from_major`], but up to [`MAX_MINOR`]: for amounts that are shown as they are and
    /// checked when they are booked.
    pub fn computed(major: Decimal, currency: Currency) -> Result<Self, MoneyError> {
        let scaled =
            major.checked_mul(Decimal::from(currency.minor_per_major())).ok_or(MoneyError::TooLarge)?;
        if !scaled.fract().is_zero() {
            return Err(MoneyError::TooManyDecimals {
                text: major.to_string(),
                digits: currency.minor_digits(),
                currency,
            });
        }
        Self::from_minor(i64::try_from(scaled).map_err(|_| MoneyError::TooLarge)?, currency)
    }

    /// From major units, rounded by [`TO_MINOR_UNIT`].
    pub fn rounded_from_major(major: Decimal, currency: Currency) -> Result<Self, MoneyError> {
        let rounded = major.round_dp_with_strategy(currency.minor_digits(), TO_MINOR_UNIT);
        Self::from_major(rounded, currency)
    }

    /// Reads digits with an optional sign and point: `47.5`, `-3.00`. No currency sign, no grouping, no
    /// exponent, ASCII digits only (as in schema.org's price).
    pub fn parse(text: &str, currency: Currency) -> Result<Self, MoneyError> {
        let major = plain_decimal(text)
            .ok_or_else(|| MoneyError::NotAnAmount { text: text.chars().take(40).collect() })?;
        Self::from_major(major, currency)
    }

    /// In minor units (cents).
    pub fn minor(self) -> i64 {
        self.minor
    }

    /// The currency it is in.
    pub fn currency(self) -> Currency {
        self.currency
    }

    /// In major units, with the currency's decimals.
    pub fn major(self) -> Decimal {
        Decimal::new(self.minor, self.currency.minor_digits())
    }

    /// The sum of two amounts in one currency.
    pub fn plus(self, other: Self) -> Result<Self, MoneyError> {
        self.same_currency(other)?;
        Self::from_minor(self.minor + other.minor, self.currency)
    }

    /// The difference of two amounts in one currency.
    pub fn minus(self, other: Self) -> Result<Self, MoneyError> {
        self.plus(other.negated())
    }

    /// With the opposite sign.
    #[must_use]
    pub fn negated(self) -> Self {
        Self { minor: -self.minor, ..self }
    }

    /// Whether the amount is 0.
    pub fn is_zero(self) -> bool {
        self.minor == 0
    }

    /// Whether the amount is below 0.
    pub fn is_negative(self) -> bool {
        self.minor < 0
    }

    /// The sum of many amounts in `currency`.
    pub fn sum(amounts: impl IntoIterator<Item = Self>, currency: Currency) -> Result<Self, MoneyError> {
        amounts.into_iter().try_fold(Self::zero(currency), Self::plus)
    }

    fn same_currency(self, other: Self) -> Result<(), MoneyError> {
        if self.currency == other.currency {
            return Ok(());
        }
        Err(MoneyError::MixedCurrencies { left: self.currency, right: other.currency })
    }
}

/// Reads a decimal: an optional sign, digits, and optionally a point with digits. Rejects exponents,
/// grouping, `NaN`, full-width digits, and anything longer than a shop's numbers can be.
pub fn plain_decimal(text: &str) -> Option<Decimal> {
    const LONGEST: usize = 28;
    let unsigned = text.strip_prefix(['-', '+']).unwrap_or(text);
    let (whole, part) = unsigned.split_once('.').unwrap_or((unsigned, "0"));
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if unsigned.len() > LONGEST || !digits(whole) || !digits(part) {
        return None;
    }
    Decimal::from_str(text.strip_prefix('+').unwrap_or(text)).ok()
}

fn over_limit(amount: Decimal, currency: Currency) -> MoneyError {
    let amount = amount.to_string().chars().take(40).collect();
    MoneyError::OverLimit { amount, limit: Money { minor: MAX_AMOUNT, currency } }
}

impl fmt::Display for Money {
    /// Only the decimal, such as `47.50`; the currency stands beside it where needed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.major(), f)
    }
}

impl fmt::Debug for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.major(), self.currency)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_plain_amounts_only() {
        let check = |text: &str, expected: Option<i64>| {
            assert_eq!(Money::parse(text, Currency::USD).ok().map(Money::minor), expected, "{text:?}");
        };
        for (text, expected) in [
            ("47.50", Some(4750)),
            ("47.5", Some(4750)),
            ("47", Some(4700)),
            ("-3.00", Some(-300)),
            ("+1", Some(100)),
            ("1.005", None),
            ("1,00", None),
            ("1e2", None),
            ("", None),
            (".5", None),
            ("5.", None),
            ("$5", None),
            ("９.25", None),
            ("NaN", None),
            ("1_000", None),
            (" 1", None),
            ("1000000000.00", Some(MAX_AMOUNT)),
            ("1000000000.01", None),
            ("-1000000000.01", None),
            ("92233720368547758.08", None),
            ("9999999999999999999999999999", None),
            ("0.000", Some(0)),
        ] {
            check(text, expected);
        }
    }

    #[test]
    fn currencies_keep_their_minor_digits() {
        // ISO 4217 list one, open data set of 2026-02.
        for (code, digits) in [("USD", 2), ("JPY", 0), ("KWD", 3), ("CLF", 4), ("ISK", 0), ("MXN", 2)] {
            assert_eq!(Currency::from_code(code).map(Currency::minor_digits), Ok(digits), "{code}");
        }
        for code in ["XAU", "usd", "US", "DOLLAR", "", "XXX"] {
            assert!(Currency::from_code(code).is_err(), "{code}");
        }
    }

    #[test]
    fn refuses_to_mix_currencies() {
        let euro = Money::zero(Currency::from_code("EUR").unwrap());
        assert!(matches!(euro.plus(Money::zero(Currency::USD)), Err(MoneyError::MixedCurrencies { .. })));
    }
}
