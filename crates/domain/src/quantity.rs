//! How much of an item: whole units, or thousandths of its stock unit.

use crate::money::plain_decimal;
use crate::weight::{WeightError, WeightUnit};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use std::fmt;

/// The most steps that an item's stock or a line can have; the schema checks it too.
pub const MAX_STOCK_UNITS: i64 = 1_000_000_000;

/// The most units on one line. More is taken for a typing error, and a million such lines fit into an
/// item's counters.
pub const MAX_LINE_UNITS: i64 = 1_000_000;
/// The heaviest line by weight, in eighths of a nanogram: a tonne.
pub const MAX_LINE_MASS: i64 = 8_000_000_000_000_000;
/// The largest weight of a channel's day, positive or negative, in eighths of a nanogram: five hundred
/// lines at [`MAX_LINE_MASS`], and far enough below 2^63 that a sale can be added before the
/// comparison.
pub const MAX_DAY_MASS: i64 = 4_000_000_000_000_000_000;

/// A quantity in another unit than the stock's is converted once, to the nearest thousandth.
pub const TO_THOUSANDTH: RoundingStrategy = RoundingStrategy::MidpointAwayFromZero;

/// What one step of an item's stock is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Measure {
    /// One whole unit (pieces, counted goods).
    Units,
    /// A thousandth of this unit (goods by weight).
    Thousandths(WeightUnit),
}

impl Measure {
    /// The most steps on one line.
    pub fn max_line_stock_units(self) -> i64 {
        match self {
            Self::Units => MAX_LINE_UNITS,
            Self::Thousandths(unit) => MAX_LINE_MASS / unit.eighth_nanograms_per_thousandth(),
        }
    }
}

/// What is wrong with a quantity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum QuantityError {
    /// Not a decimal number.
    #[error("“{text}” is not a quantity; enter digits, such as 1 or 2.5")]
    NotANumber {
        /// The text as typed, cut short.
        text: String,
    },
    /// 0 or less where more is needed.
    #[error("a quantity must be more than 0")]
    NotPositive,
    /// A fraction of something that is counted.
    #[error("{value} is not a whole number, and this item is counted in whole units")]
    NotWhole {
        /// The quantity as typed.
        value: Decimal,
    },
    /// A unit of weight for something that is counted.
    #[error("this item is counted, not weighed; leave the unit {unit} out", unit = unit.code())]
    NotWeighed {
        /// The unit as typed.
        unit: WeightUnit,
    },
    /// More than [`MAX_STOCK_UNITS`].
    #[error("the quantity is larger than a shop can hold")]
    TooLarge,
    /// More than [`MAX_LINE_UNITS`] or [`MAX_LINE_MASS`].
    #[error("{quantity} is more than {limit}, the most that one line may have; check it for an extra digit")]
    OverLimit {
        /// The quantity that was asked for, with its unit.
        quantity: String,
        /// The limit, with its unit.
        limit: String,
    },
    /// Finer than a thousandth of the stock unit.
    #[error("{value} is finer than a thousandth of the unit that the item is stocked in")]
    TooFine {
        /// The quantity as typed.
        value: Decimal,
    },
    /// The unit is unknown.
    #[error(transparent)]
    Unit(#[from] WeightError),
}

/// A quantity that somebody asked for, before the item's measure is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Asked {
    /// The number, in `unit`.
    pub value: Decimal,
    /// None means the item's own unit.
    pub unit: Option<WeightUnit>,
}

impl Asked {
    /// One unit, or one of the item's stock unit.
    pub const ONE: Self = Self { value: Decimal::ONE, unit: None };

    /// Reads digits and an optional UN/CEFACT code (`C62` and `H87`, single units, count as none).
    pub fn parse(text: &str, unit: Option<&str>) -> Result<Self, QuantityError> {
        let value = plain_decimal(text)
            .ok_or_else(|| QuantityError::NotANumber { text: text.chars().take(40).collect() })?;
        let unit = match unit {
            None | Some("" | "C62" | "H87") => None,
            Some(code) => Some(WeightUnit::from_code(code)?),
        };
        Ok(Self { value, unit })
    }
}

/// A quantity in whole steps of an item's measure; below 0 where it is a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WrittenQuantity")]
pub struct Quantity {
    stock_units: i64,
    measure: Measure,
}

/// A stored quantity. Reading it repeats the check of its constructor.
#[derive(Deserialize)]
struct WrittenQuantity {
    stock_units: i64,
    measure: Measure,
}

impl TryFrom<WrittenQuantity> for Quantity {
    type Error = QuantityError;
    fn try_from(written: WrittenQuantity) -> Result<Self, QuantityError> {
        Self::from_stock_units(written.stock_units, written.measure)
    }
}

impl Quantity {
    /// From steps, as stored in the database.
    pub fn from_stock_units(stock_units: i64, measure: Measure) -> Result<Self, QuantityError> {
        if stock_units.checked_abs().is_none_or(|s| s > MAX_STOCK_UNITS) {
            return Err(QuantityError::TooLarge);
        }
        Ok(Self { stock_units, measure })
    }

    /// The quantity in the item's own steps; must be more than 0.
    pub fn resolve(asked: Asked, measure: Measure) -> Result<Self, QuantityError> {
        let quantity = Self::resolve_or_zero(asked, measure)?;
        if quantity.stock_units == 0 { Err(QuantityError::NotPositive) } else { Ok(quantity) }
    }

    /// Like [`Quantity::resolve`], for a line that is sold or ordered.
    pub fn resolve_line(asked: Asked, measure: Measure) -> Result<Self, QuantityError> {
        let quantity = Self::resolve(asked, measure)?;
        let most = measure.max_line_stock_units();
        if quantity.stock_units > most {
            let limit = Self { stock_units: most, measure }.to_string();
            return Err(QuantityError::OverLimit { quantity: quantity.to_string(), limit });
        }
        Ok(quantity)
    }

    /// Like [`Quantity::resolve_line`], for an order that gives all goods by weight in one unit: for
    /// counted items the unit means nothing.
    pub fn resolve_ordered(asked: Asked, measure: Measure) -> Result<Self, QuantityError> {
        let unit = asked.unit.filter(|_| measure != Measure::Units);
        Self::resolve_line(Asked { unit, ..asked }, measure)
    }

    /// Like [`Quantity::resolve`], but 0 is allowed, as in a stock count.
    pub fn resolve_or_zero(asked: Asked, measure: Measure) -> Result<Self, QuantityError> {
        let Asked { value, unit } = asked;
        if value.is_sign_negative() && !value.is_zero() {
            return Err(QuantityError::NotPositive);
        }
        let exact = match (measure, unit) {
            (Measure::Units, Some(unit)) => return Err(QuantityError::NotWeighed { unit }),
            (Measure::Units, None) if !value.fract().is_zero() => {
                return Err(QuantityError::NotWhole { value });
            }
            (Measure::Units, None) => value,
            (Measure::Thousandths(own), given) => thousandths(value, given.unwrap_or(own), own)?,
        };
        Self::from_stock_units(i64::try_from(exact).map_err(|_| QuantityError::TooLarge)?, measure)
    }

    /// In steps: units or thousandths.
    pub fn stock_units(self) -> i64 {
        self.stock_units
    }

    /// What one step is.
    pub fn measure(self) -> Measure {
        self.measure
    }

    /// In units, or in the stock unit.
    pub fn value(self) -> Decimal {
        match self.measure {
            Measure::Units => Decimal::from(self.stock_units),
            Measure::Thousandths(_) => Decimal::new(self.stock_units, 3),
        }
    }

    /// The units in the books: a line by weight is one, whatever it weighs.
    pub fn book_units(self) -> i64 {
        match self.measure {
            Measure::Units => self.stock_units,
            Measure::Thousandths(_) => self.stock_units.signum(),
        }
    }

    /// The weight in the books, in eighths of a nanogram; none for counted items.
    pub fn book_weight(self) -> Result<i64, QuantityError> {
        match self.measure {
            Measure::Units => Ok(0),
            Measure::Thousandths(unit) => self
                .stock_units
                .checked_mul(unit.eighth_nanograms_per_thousandth())
                .ok_or(QuantityError::TooLarge),
        }
    }
}

fn thousandths(value: Decimal, given: WeightUnit, own: WeightUnit) -> Result<Decimal, QuantityError> {
    let in_own = if given == own {
        value
    } else {
        value.checked_mul(given.grams()).ok_or(QuantityError::TooLarge)? / own.grams()
    };
    let scaled = in_own.checked_mul(Decimal::ONE_THOUSAND).ok_or(QuantityError::TooLarge)?;
    if given == own && !scaled.fract().is_zero() {
        return Err(QuantityError::TooFine { value });
    }
    Ok(scaled.round_dp_with_strategy(0, TO_THOUSANDTH))
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.measure {
            Measure::Units => write!(f, "{}", self.stock_units),
            Measure::Thousandths(unit) => write!(f, "{} {unit}", self.value().normalize()),
        }
    }
}
