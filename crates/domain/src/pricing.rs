//! What a piece costs by its weight, and how that was calculated.

use crate::money::{Currency, Money, MoneyError, plain_decimal};
use crate::weight::{MAX_DECIMALS, Weight, WeightError, WeightUnit};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Decimals of a rate: millionths of a major unit.
pub const MAX_RATE_DECIMALS: u32 = 6;
/// The highest rate, per unit. More than a million is taken for a typing error.
pub const MAX_RATE: i64 = 1_000_000;
/// A price between two endings goes to the nearer one; a tie goes up, in the shop's favor.
pub const TO_ENDING: RoundingStrategy = RoundingStrategy::MidpointAwayFromZero;

/// What is wrong with a price or its rule.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PriceError {
    /// A rate of 0, below 0, or above [`MAX_RATE`].
    #[error("a rate must be more than 0 and at most a million")]
    RateOutOfRange,
    /// A rate with more than [`MAX_RATE_DECIMALS`].
    #[error("a rate can have at most {MAX_RATE_DECIMALS} decimals")]
    RateTooFine,
    /// Not a plain decimal.
    #[error("“{text}” is not a rate; enter digits with a point, such as 7.50")]
    NotARate {
        /// The text as typed.
        text: String,
    },
    /// Not one of the endings.
    #[error("“{text}” is not a price ending; use exact, five, whole, or an amount below 1 such as 0.95")]
    NotAnEnding {
        /// The text as typed.
        text: String,
    },
    /// The rule gives a price of 0.
    #[error("the price comes to 0; raise the rate or give the style a minimum")]
    Nothing,
    /// A part of the price is below 0.
    #[error("a price, its extras and its minimum may not be below 0")]
    Negative,
    /// The amount is out of range.
    #[error(transparent)]
    Money(#[from] MoneyError),
    /// The unit of weight is unknown.
    #[error(transparent)]
    Weight(#[from] WeightError),
}

/// An amount of money per unit of weight.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WrittenRate")]
pub struct WeightRate {
    per: Decimal,
    unit: WeightUnit,
}

/// A stored rate. Reading it repeats the check of its constructor.
#[derive(Deserialize)]
struct WrittenRate {
    per: Decimal,
    unit: WeightUnit,
}

impl TryFrom<WrittenRate> for WeightRate {
    type Error = PriceError;
    fn try_from(written: WrittenRate) -> Result<Self, PriceError> {
        Self::new(written.per, written.unit)
    }
}

impl WeightRate {
    /// `per` major units of money for one `unit`.
    pub fn new(per: Decimal, unit: WeightUnit) -> Result<Self, PriceError> {
        if per <= Decimal::ZERO || per > Decimal::from(MAX_RATE) {
            return Err(PriceError::RateOutOfRange);
        }
        if per.normalize().scale() > MAX_RATE_DECIMALS {
            return Err(PriceError::RateTooFine);
        }
        Ok(Self { per, unit })
    }

    /// Reads digits, and a UN/CEFACT code for the unit.
    pub fn parse(text: &str, unit: &str) -> Result<Self, PriceError> {
        let per = plain_decimal(text)
            .ok_or_else(|| PriceError::NotARate { text: text.chars().take(40).collect() })?;
        Self::new(per, WeightUnit::from_code(unit)?)
    }

    /// From millionths of a major unit, as stored in the database.
    pub fn from_millionths(millionths: i64, unit: WeightUnit) -> Result<Self, PriceError> {
        Self::new(Decimal::new(millionths, MAX_RATE_DECIMALS).normalize(), unit)
    }

    /// In millionths of a major unit, for the database.
    pub fn millionths(self) -> i64 {
        let mut per = self.per;
        per.rescale(MAX_RATE_DECIMALS);
        i64::try_from(per.mantissa()).unwrap_or(i64::MAX)
    }

    /// Major units of money for one [`WeightRate::unit`].
    pub fn per(self) -> Decimal {
        self.per
    }

    /// The unit of weight.
    pub fn unit(self) -> WeightUnit {
        self.unit
    }

    /// Rate × weight in minor units, rounded once from the exact product by
    /// [`TO_MINOR_UNIT`](crate::money::TO_MINOR_UNIT).
    ///
    /// Computed in whole numbers, because a weight in another unit than the rate's may have no end to
    /// its decimals: 0.55 g at 4.123567 a pound is exactly half a cent, and a quotient cut at 28 digits
    /// is less. Nothing here exceeds 2^127: a tonne is 8 × 10^15 eighths of a nanogram, times 10^4 for
    /// the weight's decimals, 10^12 for a million in millionths, 10^4 for the finest currency, and 2 to
    /// halve.
    pub fn times(self, weight: Weight, currency: Currency) -> Result<Money, MoneyError> {
        let mass = |unit: WeightUnit| i128::from(unit.eighth_nanograms_per_thousandth());
        let mut digits = weight.value();
        digits.rescale(MAX_DECIMALS);
        let over = digits.mantissa()
            * mass(weight.unit())
            * i128::from(self.millionths())
            * i128::from(currency.minor_per_major());
        let under = mass(self.unit) * 10_i128.pow(MAX_DECIMALS + MAX_RATE_DECIMALS);
        // Both are above 0, so half away from zero is half up.
        let minor = (2 * over + under) / (2 * under);
        Money::from_minor(i64::try_from(minor).map_err(|_| MoneyError::TooLarge)?, currency)
    }

    /// The rate with at least the currency's decimals, as people write it: `7.50`.
    pub fn shown(self, currency: Currency) -> Decimal {
        let mut per = self.per.normalize();
        if per.scale() < currency.minor_digits() {
            per.rescale(currency.minor_digits());
        }
        per
    }
}

/// How a computed price becomes the price on a tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum PriceEnding {
    /// As computed, to the minor unit.
    Exact,
    /// The nearest 0.05 of a major unit.
    Five,
    /// The nearest major unit.
    Whole,
    /// The nearest price with this fraction of a major unit, never below it.
    Fraction(Decimal),
}

impl PriceEnding {
    /// Reads `exact`, `five`, `whole`, or an amount below one major unit such as `0.95`.
    pub fn parse(text: &str, currency: Currency) -> Result<Self, PriceError> {
        let wrong = || PriceError::NotAnEnding { text: text.chars().take(40).collect() };
        match text.trim() {
            "exact" => Ok(Self::Exact),
            "five" => Ok(Self::Five),
            "whole" => Ok(Self::Whole),
            amount => {
                let part = plain_decimal(amount).ok_or_else(wrong)?;
                let fits = part > Decimal::ZERO && part < Decimal::ONE;
                if !fits || Money::from_major(part, currency).is_err() {
                    return Err(wrong());
                }
                Ok(Self::Fraction(part.normalize()))
            }
        }
    }

    /// The distance between two neighboring endings, and the first of them.
    fn grid(self, currency: Currency) -> (Decimal, Decimal) {
        let minor = Decimal::new(1, currency.minor_digits());
        match self {
            Self::Exact => (minor, Decimal::ZERO),
            Self::Five => (Decimal::new(5, 2).max(minor), Decimal::ZERO),
            Self::Whole => (Decimal::ONE, Decimal::ZERO),
            Self::Fraction(part) => (Decimal::ONE, part),
        }
    }

    /// The nearest price with this ending; ties go up. Never below the ending itself.
    pub fn end(self, price: Money) -> Result<Money, PriceError> {
        let (step, offset) = self.grid(price.currency());
        let steps = ((price.major() - offset) / step).round_dp_with_strategy(0, TO_ENDING);
        let ended = steps.max(Decimal::ZERO) * step + offset;
        Ok(Money::from_major(ended, price.currency())?)
    }
}

impl fmt::Display for PriceEnding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Exact => f.write_str("exact"),
            Self::Five => f.write_str("five"),
            Self::Whole => f.write_str("whole"),
            Self::Fraction(part) => fmt::Display::fmt(part, f),
        }
    }
}

/// How the pieces of a style are priced.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PriceRule {
    /// Multiplied with the weight.
    pub rate: WeightRate,
    /// Applied after the extras are added.
    pub ending: PriceEnding,
    /// The lowest price of a piece.
    pub minimum: Option<Money>,
}

/// A price and how it was calculated, as data that any surface can show in its own way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Calculation {
    /// The weight as the scale showed it.
    pub weight: Weight,
    /// The style's rate.
    pub rate: WeightRate,
    /// Rate × weight, rounded to the minor unit.
    pub by_weight: Money,
    /// Added for buttons, a lining, a clasp.
    pub extras: Money,
    /// The price after the ending was applied.
    pub ended: Money,
    /// The style's ending.
    pub ending: PriceEnding,
    /// The minimum, if it decided the price.
    pub minimum_used: Option<Money>,
    /// The price on the tag.
    pub price: Money,
}

impl PriceRule {
    /// `max(minimum, end(round(rate × weight) + extras))`.
    pub fn price(&self, weight: Weight, extras: Money) -> Result<Calculation, PriceError> {
        let currency = extras.currency();
        if extras.is_negative() || self.minimum.is_some_and(Money::is_negative) {
            return Err(PriceError::Negative);
        }
        let by_weight = self.rate.times(weight, currency)?;
        let ended = self.ending.end(by_weight.plus(extras)?)?;
        let minimum_used = self.minimum.filter(|m| m.minor() > ended.minor());
        let price = minimum_used.unwrap_or(ended);
        if price.is_zero() {
            return Err(PriceError::Nothing);
        }
        let (rate, ending) = (self.rate, self.ending);
        Ok(Calculation { weight, rate, by_weight, extras, ended, ending, minimum_used, price })
    }
}

impl fmt::Display for Calculation {
    /// `6.35 oz × 7.50 an ounce = 47.63 → 48.00`
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let rate = self.rate.shown(self.price.currency());
        write!(f, "{} × {rate} {} = {}", self.weight, self.rate.unit.each(), self.by_weight)?;
        if !self.extras.is_zero() {
            write!(f, " + {} extras", self.extras)?;
        }
        if self.ended != self.by_weight.plus(self.extras).unwrap_or(self.ended) {
            write!(f, " → {}", self.ended)?;
        }
        if let Some(minimum) = self.minimum_used {
            write!(f, " → {minimum} (the least for this style)")?;
        }
        Ok(())
    }
}

/// Price less cost; none if the cost is not known.
pub fn margin(price: Money, cost: Option<Money>) -> Result<Option<Money>, MoneyError> {
    cost.map(|c| price.minus(c)).transpose()
}
