//! Weight as a scale shows it, its units by UN/CEFACT code, and exact sums across units.

use crate::money::plain_decimal;
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use std::fmt;

/// The heaviest single reading, in grams: one tonne. More is taken for a typing error.
pub const MAX_GRAMS: i64 = 1_000_000;
/// Decimals of a reading: a jeweler's scale shows four (from memory).
pub const MAX_DECIMALS: u32 = 4;
/// Ounces in a pound (NIST Handbook 44, appendix C).
const OUNCES_A_POUND: u32 = 16;
/// How a net weight is shown in another unit: cut off, never overstated (NIST's reading of the Uniform
/// Packaging and Labeling Regulation).
pub const SHOWN_IN_ANOTHER_UNIT: RoundingStrategy = RoundingStrategy::ToZero;

/// A unit for weighing and selling wool.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum WeightUnit {
    /// Avoirdupois ounce, ONZ: 28.349523125 g exactly.
    #[serde(rename = "ONZ")]
    Ounce,
    /// Avoirdupois pound, LBR: 453.59237 g exactly.
    #[serde(rename = "LBR")]
    Pound,
    /// Gram, GRM.
    #[serde(rename = "GRM")]
    Gram,
    /// Hundred grams, HGM.
    #[serde(rename = "HGM")]
    HundredGrams,
    /// Kilogram, KGM.
    #[serde(rename = "KGM")]
    Kilogram,
}

impl WeightUnit {
    /// Every unit, in the order in which pages offer them.
    pub const ALL: [Self; 5] = [Self::Ounce, Self::Pound, Self::Gram, Self::HundredGrams, Self::Kilogram];

    /// By UN/CEFACT Recommendation 20 code.
    pub fn from_code(code: &str) -> Result<Self, WeightError> {
        let unknown = || WeightError::UnknownUnit { code: code.chars().take(12).collect() };
        Self::ALL.into_iter().find(|u| u.code() == code).ok_or_else(unknown)
    }

    /// The UN/CEFACT code.
    pub fn code(self) -> &'static str {
        match self {
            Self::Ounce => "ONZ",
            Self::Pound => "LBR",
            Self::Gram => "GRM",
            Self::HundredGrams => "HGM",
            Self::Kilogram => "KGM",
        }
    }

    /// The symbol after a number: `oz`.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Ounce => "oz",
            Self::Pound => "lb",
            Self::Gram => "g",
            Self::HundredGrams => "× 100 g",
            Self::Kilogram => "kg",
        }
    }

    /// The unit in a rate: `an ounce`.
    pub fn each(self) -> &'static str {
        match self {
            Self::Ounce => "an ounce",
            Self::Pound => "a pound",
            Self::Gram => "a gram",
            Self::HundredGrams => "100 g",
            Self::Kilogram => "a kilogram",
        }
    }

    /// The unit in running text: `ounces`.
    pub fn plural(self) -> &'static str {
        match self {
            Self::Ounce => "ounces",
            Self::Pound => "pounds",
            Self::Gram => "grams",
            Self::HundredGrams => "hundreds of grams",
            Self::Kilogram => "kilograms",
        }
    }

    /// Grams in one unit, exactly (NIST Handbook 44, appendix C).
    pub fn grams(self) -> Decimal {
        match self {
            Self::Ounce => Decimal::new(28_349_523_125, 9),
            Self::Pound => Decimal::new(45_359_237, 5),
            Self::Gram => Decimal::ONE,
            Self::HundredGrams => Decimal::ONE_HUNDRED,
            Self::Kilogram => Decimal::ONE_THOUSAND,
        }
    }

    /// A thousandth of this unit in eighths of a nanogram. The eighth makes a thousandth of an ounce
    /// (28,349,523.125 ng) a whole number, so that sums across units stay exact integers.
    pub fn eighth_nanograms_per_thousandth(self) -> i64 {
        match self {
            Self::Ounce => 226_796_185,
            Self::Pound => 3_628_738_960,
            Self::Gram => 8_000_000,
            Self::HundredGrams => 800_000_000,
            Self::Kilogram => 8_000_000_000,
        }
    }
}

impl fmt::Display for WeightUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// What is wrong with a weight.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WeightError {
    /// Not a unit code that the shop uses.
    #[error(
        "“{code}” is not a weight unit here; use ONZ (ounce), LBR (pound), GRM (gram), HGM (100 g) or KGM (kilogram)"
    )]
    UnknownUnit {
        /// The code as given.
        code: String,
    },
    /// Not a decimal number.
    #[error("“{text}” is not a weight; enter digits with a point, as the scale shows them, such as 6.35")]
    NotAWeight {
        /// The text as typed, cut short.
        text: String,
    },
    /// 0 or less.
    #[error("a weight must be more than 0; check the scale again")]
    NotPositive,
    /// Heavier than [`MAX_GRAMS`].
    #[error("{weight} is heavier than a tonne; check the number and its unit")]
    TooHeavy {
        /// The weight as typed, with its unit.
        weight: String,
    },
    /// More than [`MAX_DECIMALS`] decimals.
    #[error("“{text}” has more than {MAX_DECIMALS} decimals; enter the weight as the scale shows it")]
    TooFine {
        /// The text as typed.
        text: String,
    },
    /// Not something that a scale shows.
    #[error("“{text}” is not a weight; enter what the scale shows, such as 6.35 oz, 1 lb 2.5 oz or 180 g")]
    NotAReading {
        /// The text as typed, cut short.
        text: String,
    },
    /// Pounds and ounces, with ounces for another pound.
    #[error("“{text}” has 16 or more ounces next to its pounds; check the scale again")]
    OuncesOfAPound {
        /// The text as typed.
        text: String,
    },
    /// The tare is in another unit than the reading.
    #[error("the tare is in {tare} and the scale reading in {gross}; use the same unit for both")]
    TareInAnotherUnit {
        /// The unit of the reading.
        gross: WeightUnit,
        /// The unit of the tare.
        tare: WeightUnit,
    },
    /// The tare is as heavy as the reading, or heavier.
    #[error(
        "the scale reading of {gross} is not more than the tare of {tare}; weigh again with the bowl or cone, or clear the tare"
    )]
    NotAboveTare {
        /// The reading, container included.
        gross: Weight,
        /// The weight of the empty container.
        tare: Weight,
    },
}

/// A weight as it was read, with the scale's own digits and unit. It is never stored converted: from
/// whole grams, 6.35 oz would not come back as 6.35 oz.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WrittenWeight")]
pub struct Weight {
    value: Decimal,
    unit: WeightUnit,
}

/// A stored weight. Reading it repeats the check of its constructor.
#[derive(Deserialize)]
struct WrittenWeight {
    value: Decimal,
    unit: WeightUnit,
}

impl TryFrom<WrittenWeight> for Weight {
    type Error = WeightError;
    fn try_from(written: WrittenWeight) -> Result<Self, WeightError> {
        Self::new(written.value, written.unit)
    }
}

impl Weight {
    /// A reading in a unit.
    pub fn new(value: Decimal, unit: WeightUnit) -> Result<Self, WeightError> {
        if value <= Decimal::ZERO {
            return Err(WeightError::NotPositive);
        }
        if value.scale() > MAX_DECIMALS {
            return Err(WeightError::TooFine { text: value.to_string() });
        }
        let heavy = || WeightError::TooHeavy { weight: format!("{value} {unit}") };
        let grams = value.checked_mul(unit.grams()).ok_or_else(heavy)?;
        if grams > Decimal::from(MAX_GRAMS) {
            return Err(heavy());
        }
        Ok(Self { value, unit })
    }

    /// A reading in ounces, with the scale's decimals.
    pub fn from_ounces(value: Decimal) -> Result<Self, WeightError> {
        Self::new(value, WeightUnit::Ounce)
    }

    /// A reading in grams, with the scale's decimals.
    pub fn from_grams(value: Decimal) -> Result<Self, WeightError> {
        Self::new(value, WeightUnit::Gram)
    }

    /// A reading in pounds and ounces: 1 lb 1.5 oz is exactly 17.5 oz.
    pub fn from_pounds_and_ounces(pounds: u32, ounces: Decimal) -> Result<Self, WeightError> {
        if ounces.is_sign_negative() && !ounces.is_zero() {
            return Err(WeightError::NotPositive);
        }
        let heavy = || WeightError::TooHeavy { weight: format!("{pounds} lb {ounces} oz") };
        let whole = Decimal::from(pounds) * Decimal::from(OUNCES_A_POUND);
        Self::from_ounces(whole.checked_add(ounces).ok_or_else(heavy)?)
    }

    /// Reads digits as the scale shows them.
    pub fn parse(text: &str, unit: WeightUnit) -> Result<Self, WeightError> {
        let value = plain_decimal(text)
            .ok_or_else(|| WeightError::NotAWeight { text: text.chars().take(40).collect() })?;
        Self::new(value, unit)
    }

    /// Reads what people type from a scale: `6.35 oz`, `1 lb 2.5 oz`, `180 g`. Digits without a unit
    /// are in `bare`. No scale shows hundreds of grams, so if that is the shop's unit, they are grams.
    pub fn parse_reading(text: &str, bare: WeightUnit) -> Result<Self, WeightError> {
        let shown = || text.trim().chars().take(40).collect::<String>();
        let wrong = || WeightError::NotAReading { text: shown() };
        let parts = reading_parts(text).ok_or_else(wrong)?;
        let number = |digits: &str| reading_number(digits).ok_or_else(wrong);
        match parts.as_slice() {
            [(digits, "")] => {
                let unit = if bare == WeightUnit::HundredGrams { WeightUnit::Gram } else { bare };
                Self::new(number(digits)?, unit)
            }
            [(digits, unit)] => Self::new(number(digits)?, reading_unit(unit).ok_or_else(wrong)?),
            [(pounds, lb), (ounces, oz)]
                if reading_unit(lb) == Some(WeightUnit::Pound)
                    && reading_unit(oz) == Some(WeightUnit::Ounce) =>
            {
                let ounces = number(ounces)?;
                if ounces >= Decimal::from(OUNCES_A_POUND) {
                    return Err(WeightError::OuncesOfAPound { text: shown() });
                }
                Self::from_pounds_and_ounces(pounds.parse().map_err(|_| wrong())?, ounces)
            }
            _ => Err(wrong()),
        }
    }

    /// Less the weight of the container, in the scale's own digits.
    pub fn less_tare(self, tare: Self) -> Result<Self, WeightError> {
        if self.unit != tare.unit {
            return Err(WeightError::TareInAnotherUnit { gross: self.unit, tare: tare.unit });
        }
        if self.value <= tare.value {
            return Err(WeightError::NotAboveTare { gross: self, tare });
        }
        Self::new(self.value - tare.value, self.unit)
    }

    /// The digits, with trailing zeros.
    pub fn value(self) -> Decimal {
        self.value
    }

    /// The unit it was read in.
    pub fn unit(self) -> WeightUnit {
        self.unit
    }

    /// In grams, exactly.
    pub fn grams(self) -> Decimal {
        self.value * self.unit.grams()
    }

    /// An exact whole number for comparing and sorting weights in all units: eightieths of a nanogram,
    /// in which a ten-thousandth of an ounce is whole. A tonne is 8 × 10^16.
    pub fn mass(self) -> i64 {
        let mut digits = self.value;
        digits.rescale(MAX_DECIMALS);
        let mass = digits.mantissa() * i128::from(self.unit.eighth_nanograms_per_thousandth());
        i64::try_from(mass).unwrap_or(i64::MAX)
    }

    /// In another unit, not rounded (28 significant digits if it has no end).
    pub fn value_in(self, unit: WeightUnit) -> Decimal {
        if unit == self.unit { self.value } else { self.grams() / unit.grams() }
    }
}

impl fmt::Display for Weight {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, self.unit)
    }
}

/// The parts of a reading: digits, each with its unit. None if there is anything else.
fn reading_parts(text: &str) -> Option<Vec<(&str, &str)>> {
    /// Pounds and ounces; a third part would not be a reading.
    const MOST: usize = 2;
    let is_digit = |c: char| c.is_ascii_digit() || c == '.';
    let mut rest = text.trim();
    let mut parts = Vec::with_capacity(MOST);
    while !rest.is_empty() {
        let (digits, after) = rest.split_at(rest.find(|c| !is_digit(c)).unwrap_or(rest.len()));
        let after = after.trim_start();
        let (word, next) = after.split_at(after.find(|c: char| !c.is_alphabetic()).unwrap_or(after.len()));
        // A period after a unit belongs to it: `oz.`
        let next = if word.is_empty() { next } else { next.strip_prefix('.').unwrap_or(next) };
        if digits.is_empty() || parts.len() == MOST || (word.is_empty() && !next.is_empty()) {
            return None;
        }
        parts.push((digits, word));
        rest = next.trim_start();
    }
    (!parts.is_empty()).then_some(parts)
}

/// Reads digits; a scale also shows `.5`.
fn reading_number(digits: &str) -> Option<Decimal> {
    if digits.starts_with('.') { plain_decimal(&format!("0{digits}")) } else { plain_decimal(digits) }
}

fn reading_unit(word: &str) -> Option<WeightUnit> {
    match word.to_lowercase().as_str() {
        "oz" | "ounce" | "ounces" => Some(WeightUnit::Ounce),
        "lb" | "lbs" | "pound" | "pounds" => Some(WeightUnit::Pound),
        "g" | "gram" | "grams" | "gramme" | "grammes" => Some(WeightUnit::Gram),
        "kg" | "kilo" | "kilos" | "kilogram" | "kilograms" => Some(WeightUnit::Kilogram),
        _ => None,
    }
}

/// Eighths of a nanogram as ounces with `decimals` places, rounded once, half away from zero.
pub fn ounces_from_eighth_nanograms(sum: i128, decimals: u32) -> Decimal {
    let per_ounce =
        Decimal::from(WeightUnit::Ounce.eighth_nanograms_per_thousandth()) * Decimal::ONE_THOUSAND;
    let mut ounces = (Decimal::from(sum) / per_ounce)
        .round_dp_with_strategy(decimals, RoundingStrategy::MidpointAwayFromZero);
    ounces.rescale(decimals);
    ounces
}
