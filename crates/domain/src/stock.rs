//! What an item is, and why its stock changes.

use crate::quantity::Measure;
use crate::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What kind of thing an item is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ItemKind {
    /// Exactly one exists.
    Piece,
    /// Counted in units.
    Counted,
    /// Sold off by weight.
    Weight,
}

impl ItemKind {
    /// As it stands in feeds, the API and the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::Piece => "piece",
            Self::Counted => "counted",
            Self::Weight => "weight",
        }
    }

    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Piece, Self::Counted, Self::Weight].into_iter().find(|k| k.code() == code)
    }

    /// The measure of its stock; goods by weight need their stock unit.
    pub fn measure(self, stock_unit: Option<WeightUnit>) -> Option<Measure> {
        match (self, stock_unit) {
            (Self::Weight, Some(unit)) => Some(Measure::Thousandths(unit)),
            (Self::Weight, None) => None,
            (Self::Piece | Self::Counted, _) => Some(Measure::Units),
        }
    }
}

impl fmt::Display for ItemKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// Why a stock entry was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// Finished or brought in: what there was to begin with, or more of it.
    Made,
    /// A count found more or less than the books had.
    Count,
    /// Spoiled, torn, eaten by moths.
    Damage,
    /// Given away.
    Gift,
    /// Kept by the family.
    OwnUse,
    /// Sold.
    Sold,
    /// Came back from a sale to the shelf.
    PutBack,
    /// The sale was voided the same day.
    Voided,
}

/// The four counters of an item, which law 2 ties to its stock on hand:
/// `made = on hand + sold − put back + written off`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counter {
    /// Came into being, or was found by a count.
    Made,
    /// Sold.
    Sold,
    /// Came back.
    PutBack,
    /// Lost, given away or used.
    WrittenOff,
}

impl Why {
    /// Every reason.
    pub const ALL: [Self; 8] = [
        Self::Made,
        Self::Count,
        Self::Damage,
        Self::Gift,
        Self::OwnUse,
        Self::Sold,
        Self::PutBack,
        Self::Voided,
    ];

    /// As it stands in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Made => "made",
            Self::Count => "count",
            Self::Damage => "damage",
            Self::Gift => "gift",
            Self::OwnUse => "own-use",
            Self::Sold => "sold",
            Self::PutBack => "put-back",
            Self::Voided => "voided",
        }
    }

    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|w| w.code() == code)
    }

    /// Which counter a change for this reason moves. A count that finds more has made it, one that
    /// finds less has written it off.
    pub fn counter(self, change: i64) -> Counter {
        match self {
            Self::Made => Counter::Made,
            Self::Count if change > 0 => Counter::Made,
            Self::Count | Self::Damage | Self::Gift | Self::OwnUse => Counter::WrittenOff,
            Self::Sold => Counter::Sold,
            Self::PutBack | Self::Voided => Counter::PutBack,
        }
    }

    /// Whether a person may give it as the reason of a loss.
    pub fn is_loss(self) -> bool {
        matches!(self, Self::Damage | Self::Gift | Self::OwnUse)
    }
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// What became of goods that were refunded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// Back on the shelf.
    Shelf,
    /// Not fit to sell again, or never came back.
    WrittenOff,
    /// Nobody has said yet; nothing is back on the shelf.
    Open,
}

impl Fate {
    /// As it stands in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Shelf => "shelf",
            Self::WrittenOff => "written-off",
            Self::Open => "open",
        }
    }

    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Shelf, Self::WrittenOff, Self::Open].into_iter().find(|f| f.code() == code)
    }
}

/// What the world is told about whether an item can be had (schema.org `ItemAvailability`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Availability {
    /// Free stock, and listed.
    InStock,
    /// All of it is set aside.
    Reserved,
    /// Gone.
    SoldOut,
    /// Taken off this channel.
    Discontinued,
}

impl Availability {
    /// From stock and whether it is kept off the channel.
    pub fn of(on_hand: i64, held: i64, kept_off: bool) -> Self {
        match (kept_off, on_hand - held, on_hand) {
            (true, _, _) => Self::Discontinued,
            (false, free, _) if free > 0 => Self::InStock,
            (false, _, on_hand) if on_hand > 0 => Self::Reserved,
            (false, _, _) => Self::SoldOut,
        }
    }

    /// schema.org's name.
    pub fn code(self) -> &'static str {
        match self {
            Self::InStock => "InStock",
            Self::Reserved => "Reserved",
            Self::SoldOut => "SoldOut",
            Self::Discontinued => "Discontinued",
        }
    }
}
