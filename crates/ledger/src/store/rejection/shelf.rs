//! What is wrong with items, styles, stock, holds and counts.

use domain::pricing::PriceError;
use domain::quantity::Quantity;
use domain::stock::ItemKind;
use serde::{Deserialize, Serialize};

/// Why a rule gives an item no price.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotPriced {
    /// It was never weighed.
    NoWeight,
    /// What comes out is no price.
    Rule(PriceError),
}

/// Why a value is refused that has to do with the shelf.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShelfReason {
    /// More words than a search looks for.
    TooManyWords {
        /// How many it does.
        limit: usize,
    },
    /// Another run reads the same file.
    FileInUse,
    /// More than one of a piece.
    OnlyOne,
    /// More than one of a piece, where counted goods are meant.
    OnlyOneUseCounted,
    /// Not a loss, where one is booked.
    NotALoss,
    /// One stock count at a time.
    CountInProgress,
    /// The stock count is over.
    CountOver {
        /// finished or canceled.
        state: String,
    },
    /// More was counted than a shop can hold.
    CountTooLarge,
    /// Goods by weight without their weight.
    WeightMissing,
    /// More pieces than are saved at once.
    TooManyPieces {
        /// How many are.
        limit: usize,
    },
    /// A price override without its reason.
    NoOverrideReason,
    /// A correction without its reason.
    NoCorrectionReason,
    /// A piece that was entered by mistake, without the reason.
    NoRemovalReason,
    /// Only a piece can be removed; of other goods the stock is corrected.
    RemovesPiecesOnly,
    /// A piece that somebody bought is not removed, even if it came back.
    RemovesUnsoldOnly,
    /// An order names the piece.
    RemovesUnorderedOnly {
        /// The order's number.
        order: String,
    },
    /// Rows or minutes that cannot be.
    WorkOutOfRange {
        /// The most.
        limit: i64,
    },
    /// More photographs than a piece has.
    TooManyPhotographs {
        /// The most.
        limit: usize,
    },
    /// A photograph that was never taken in.
    PhotographMissing,
    /// Not the name that a photograph has.
    NotAPhotograph,
    /// More photographs than are kept at once.
    TooManyPictures {
        /// How many are.
        limit: usize,
    },
    /// There is no such style.
    UnknownStyle {
        /// What was given.
        name: String,
    },
    /// Goods by weight without the unit that they are stocked in.
    StockUnitMissing,
    /// An item stays what it is.
    OtherKind {
        /// Which item.
        sku: String,
        /// What it is.
        kind: ItemKind,
    },
    /// The piece was removed as a mistake; a count finds it again.
    RemovedBefore {
        /// Which piece.
        sku: String,
    },
    /// Too many of the shop's own numbers are taken.
    NumbersTaken,
    /// A SKU that a receipt's barcode could say.
    ReceiptCode,
    /// A file names another stock than there is.
    StockDiffers {
        /// Which item.
        sku: String,
        /// What there is.
        on_hand: Quantity,
        /// What the file says.
        given: Quantity,
    },
    /// An item keeps its GTIN.
    OtherGtin {
        /// Which item.
        sku: String,
        /// What it has.
        gtin: String,
    },
    /// The prices that were previewed are others now.
    PreviewOutdated,
    /// An item would have no price under the new rule.
    NoPriceByRule {
        /// Which item.
        sku: String,
        /// Why.
        error: NotPriced,
    },
    /// More items than are added at once.
    TooManyItems {
        /// How many are.
        limit: usize,
    },
    /// A price of nothing.
    PriceNotPositive,
    /// Neither a price nor what one is calculated of.
    NoPrice,
    /// A size with the sign that parts sizes.
    SizeHoldsBar,
    /// Another style has the name.
    StyleExists {
        /// The other's name.
        name: String,
    },
    /// No tags, or more than are printed at once.
    TagCount {
        /// How many are.
        limit: usize,
    },
    /// No texts, or more than are written at once.
    TextCount {
        /// How many are.
        limit: usize,
    },
    /// A text is not what it was when it was read.
    TextChanged {
        /// Of which item.
        title: String,
    },
    /// The hold is of another item.
    HoldOfOtherItem,
    /// What is held is being paid for.
    HoldBeingPaid,
    /// What is held is an order's.
    HoldOfOrder,
    /// No lines, or more than a hold has.
    HoldLines {
        /// How many it has.
        limit: usize,
    },
    /// A hold that would be over at once.
    HoldEndsInPast,
    /// A hold for more than a year.
    HoldTooLong,
}
