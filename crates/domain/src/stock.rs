//! What an item is, and why its stock changes.

use crate::quantity::Measure;
use crate::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What kind of thing an item is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ItemKind {
    /// One of a kind.
    Piece,
    /// Counted in units.
    Counted,
    /// Sold by weight, from a supply of it.
    Weight,
}

impl ItemKind {
    /// The code in feeds, the API and the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::Piece => "piece",
            Self::Counted => "counted",
            Self::Weight => "weight",
        }
    }

    /// The kind with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Piece, Self::Counted, Self::Weight].into_iter().find(|k| k.code() == code)
    }

    /// How its stock is measured; goods by weight need their stock unit.
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
    /// Finished or bought: the opening stock, or more of it.
    Made,
    /// A stock count found more or less than recorded.
    Count,
    /// Spoiled or torn, eaten by moths.
    Damage,
    /// Given away.
    Gift,
    /// Used by the family.
    OwnUse,
    /// Entered by mistake: it never was what was entered, and nobody bought it.
    Mistake,
    /// Sold.
    Sold,
    /// Returned to stock after a refund.
    PutBack,
    /// The sale was voided on the same day.
    Voided,
}

/// The four counters of an item. They and its stock satisfy `made = on hand + sold − put back + written
/// off`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counter {
    /// Made, bought, or found by a count.
    Made,
    /// Sold.
    Sold,
    /// Returned to stock.
    PutBack,
    /// Lost, given away or used.
    WrittenOff,
}

impl StockReason {
    /// Every reason, in the order in which they are shown.
    pub const ALL: [Self; 9] = [
        Self::Made,
        Self::Count,
        Self::Damage,
        Self::Gift,
        Self::OwnUse,
        Self::Mistake,
        Self::Sold,
        Self::PutBack,
        Self::Voided,
    ];

    /// The code in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Made => "made",
            Self::Count => "count",
            Self::Damage => "damage",
            Self::Gift => "gift",
            Self::OwnUse => "own-use",
            Self::Mistake => "mistake",
            Self::Sold => "sold",
            Self::PutBack => "put-back",
            Self::Voided => "voided",
        }
    }

    /// The reason with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|w| w.code() == code)
    }

    /// Which counter a change for this reason moves. If a count finds more, that counts as made; if it
    /// finds less, as written off.
    pub fn counter(self, change: i64) -> Counter {
        match self {
            Self::Made => Counter::Made,
            Self::Count if change > 0 => Counter::Made,
            Self::Count | Self::Damage | Self::Gift | Self::OwnUse | Self::Mistake => Counter::WrittenOff,
            Self::Sold => Counter::Sold,
            Self::PutBack | Self::Voided => Counter::PutBack,
        }
    }

    /// Whether people may choose it as the reason for a loss.
    pub fn is_loss(self) -> bool {
        matches!(self, Self::Damage | Self::Gift | Self::OwnUse)
    }
}

impl fmt::Display for StockReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// What became of refunded goods.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReturnDisposition {
    /// Returned to stock.
    Shelf,
    /// Not fit to be sold again, or never returned.
    WrittenOff,
    /// Not decided yet; nothing was returned to stock.
    Open,
}

impl ReturnDisposition {
    /// The code in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Shelf => "shelf",
            Self::WrittenOff => "written-off",
            Self::Open => "open",
        }
    }

    /// The disposition with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Shelf, Self::WrittenOff, Self::Open].into_iter().find(|f| f.code() == code)
    }
}

/// The state of an item on a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ListingState {
    /// Listed there.
    Listed,
    /// The listing was ended.
    Ended,
}

impl ListingState {
    /// The code in the database and the API.
    pub fn code(self) -> &'static str {
        match self {
            Self::Listed => "listed",
            Self::Ended => "ended",
        }
    }

    /// The state with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Listed, Self::Ended].into_iter().find(|s| s.code() == code)
    }
}

/// What online shops are told about whether an item can be bought (schema.org `ItemAvailability`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Availability {
    /// Some of it is free.
    InStock,
    /// All of it is on hold.
    Reserved,
    /// None is left.
    SoldOut,
    /// Not to be listed on this channel.
    Discontinued,
}

impl Availability {
    /// From its stock, its holds, and whether it is kept off the channel.
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
        check(StockReason::Mistake, -1, Counter::WrittenOff);
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
