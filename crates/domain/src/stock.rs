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
pub enum StockReason {
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
/// `made = on hand + drawn + sold − put back + written off`.
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

impl StockReason {
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

impl fmt::Display for StockReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// What became of goods that were refunded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReturnDisposition {
    /// Back on the shelf.
    Shelf,
    /// Not fit to sell again, or never came back.
    WrittenOff,
    /// Nobody has said yet; nothing is back on the shelf.
    Open,
}

impl ReturnDisposition {
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

/// How an item stands on a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ListingState {
    /// On offer.
    Listed,
    /// Was told to be gone.
    Ended,
}

impl ListingState {
    /// As it stands in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Listed => "listed",
            Self::Ended => "ended",
        }
    }

    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Listed, Self::Ended].into_iter().find(|s| s.code() == code)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_code_is_read_back() {
        for why in StockReason::ALL {
            assert_eq!(StockReason::from_code(why.code()), Some(why));
        }
        for kind in [ItemKind::Piece, ItemKind::Counted, ItemKind::Weight] {
            assert_eq!(ItemKind::from_code(kind.code()), Some(kind));
        }
        for fate in [ReturnDisposition::Shelf, ReturnDisposition::WrittenOff, ReturnDisposition::Open] {
            assert_eq!(ReturnDisposition::from_code(fate.code()), Some(fate));
        }
        assert_eq!(
            (
                StockReason::from_code("stolen"),
                ItemKind::from_code("Piece"),
                ReturnDisposition::from_code("")
            ),
            (None, None, None)
        );
    }

    #[test]
    fn a_change_moves_the_counter_of_its_reason() {
        let check = |why: StockReason, change: i64, expected: Counter| {
            assert_eq!(why.counter(change), expected, "{why} {change}");
        };
        check(StockReason::Made, 1, Counter::Made);
        check(StockReason::Count, 2, Counter::Made);
        check(StockReason::Count, -2, Counter::WrittenOff);
        check(StockReason::Damage, -1, Counter::WrittenOff);
        check(StockReason::Gift, -1, Counter::WrittenOff);
        check(StockReason::OwnUse, -1, Counter::WrittenOff);
        check(StockReason::Sold, -1, Counter::Sold);
        check(StockReason::PutBack, 1, Counter::PutBack);
        check(StockReason::Voided, 1, Counter::PutBack);
        let losses: Vec<StockReason> = StockReason::ALL.into_iter().filter(|w| w.is_loss()).collect();
        assert_eq!(losses, [StockReason::Damage, StockReason::Gift, StockReason::OwnUse]);
    }

    #[test]
    fn availability_follows_what_is_free() {
        let check = |on_hand: i64, held: i64, kept_off: bool, expected: &str| {
            assert_eq!(
                Availability::of(on_hand, held, kept_off).code(),
                expected,
                "{on_hand} {held} {kept_off}"
            );
        };
        check(1, 0, false, "InStock");
        check(5, 4, false, "InStock");
        check(1, 1, false, "Reserved");
        check(0, 0, false, "SoldOut");
        check(3, 0, true, "Discontinued");
        check(0, 0, true, "Discontinued");
    }

    #[test]
    fn goods_by_weight_need_their_unit() {
        let check = |kind: ItemKind, unit: Option<WeightUnit>, expected: Option<Measure>| {
            assert_eq!(kind.measure(unit), expected, "{kind} {unit:?}");
        };
        check(ItemKind::Piece, None, Some(Measure::Units));
        check(ItemKind::Counted, Some(WeightUnit::Ounce), Some(Measure::Units));
        check(ItemKind::Weight, Some(WeightUnit::Pound), Some(Measure::Thousandths(WeightUnit::Pound)));
        check(ItemKind::Weight, None, None);
    }
}
