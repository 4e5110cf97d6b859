//! What is wrong with items, styles, stock, holds and counts.

use domain::stock::ItemKind;
use ledger::rejection::{NotPriced, ShelfReason};
use ledger::shelf::LeftReason;

pub(crate) fn words(reason: &ShelfReason) -> String {
    match reason {
        ShelfReason::TooManyWords { limit } => {
            format!("a search takes at most {limit} words; leave some out")
        }
        ShelfReason::TooManyPieces { limit } => format!("you can save at most {limit} pieces at once"),
        ShelfReason::TooManyPhotographs { limit } => {
            format!("a piece can have at most {limit} photographs; remove some")
        }
        ShelfReason::TooManyPictures { limit } => format!("you can save at most {limit} photographs at once"),
        ShelfReason::TooManyItems { limit } => format!("you can add at most {limit} items at once"),
        ShelfReason::TextCount { limit } => format!("you can write 1 to {limit} texts at once"),
        ShelfReason::TagCount { limit } => format!("you can print 1 to {limit} tags at once"),
        ShelfReason::HoldLines { limit } => format!("a hold has 1 to {limit} lines"),
        ShelfReason::WorkOutOfRange { limit } => {
            format!("enter a number from 1 to {limit}, or leave it empty")
        }
        ShelfReason::CountOver { state } => {
            let state = if state == "dropped" { "canceled" } else { state };
            format!("this count is already {state}; start a new one")
        }
        ShelfReason::UnknownStyle { name } => {
            format!("there is no style “{name}”; add it with its rate first")
        }
        ShelfReason::StyleExists { name } => {
            format!("there is already a style “{name}”; choose another name")
        }
        ShelfReason::RemovedBefore { sku } => format!(
            "{sku} was removed because it had been entered by mistake; if it exists after all, count it as 1, then \
             try again"
        ),
        ShelfReason::OtherKind { sku, kind } => {
            format!("{sku} is already {}; an item's kind cannot change", kind_words(*kind))
        }
        ShelfReason::StockDiffers { sku, on_hand, given } => format!(
            "{sku} has {on_hand} in stock and the file says {given}; a file never changes stock, so record a count \
             instead"
        ),
        ShelfReason::OtherGtin { sku, gtin } => {
            format!("{sku} already has the GTIN {gtin}; an item keeps its GTIN")
        }
        ShelfReason::NoPriceByRule { sku, error } => {
            format!("{sku} would have no price: {}", not_priced(error))
        }
        ShelfReason::RemovesUnorderedOnly { order } => {
            format!("order {order} names this piece, so it cannot be removed; write it off instead")
        }
        ShelfReason::TextChanged { title } => {
            format!("the text of {title} was changed by someone else; check it again")
        }
        other => fixed(other).unwrap_or_default().to_owned(),
    }
}

/// Sentences that name nothing; none for the reasons that hold what theirs names.
fn fixed(reason: &ShelfReason) -> Option<&'static str> {
    Some(match reason {
        ShelfReason::FileInUse => "another run is importing this file; wait until it is done",
        ShelfReason::OnlyOne => "there is only one of each piece",
        ShelfReason::OnlyOneUseCounted => "there is only one of each piece; for more, use counted goods",
        ShelfReason::NotALoss => "choose damage, gift or own-use",
        ShelfReason::CountInProgress => "another stock count is in progress; finish or cancel it first",
        ShelfReason::CountTooLarge => {
            "that is more than a shop can hold; check “This is all of it” to count it again"
        }
        ShelfReason::WeightMissing => "weigh it and enter the weight",
        ShelfReason::NoOverrideReason => "enter the reason for the price override",
        ShelfReason::NoCorrectionReason => "enter the reason for the correction",
        ShelfReason::NoRemovalReason => "enter what went wrong",
        ShelfReason::RemovesPiecesOnly => {
            "only a single piece can be removed; correct the stock of other goods"
        }
        ShelfReason::RemovesUnsoldOnly => {
            "this piece was sold before, so it cannot be removed; write it off instead"
        }
        ShelfReason::PhotographMissing => "a photograph is missing; add it again",
        ShelfReason::NotAPhotograph => "this is not the name of a photograph; add the photograph again",
        ShelfReason::StockUnitMissing => {
            "goods by weight need the unit that they are stocked in; enter it, such as oz"
        }
        ShelfReason::ReceiptCode => {
            "this is how the barcode of a receipt begins; choose another SKU, so that a scan never means both"
        }
        ShelfReason::NumbersTaken => {
            "too many of the shop's next item numbers are in use as SKUs; add these items in smaller files"
        }
        ShelfReason::PreviewOutdated => {
            "a piece was added, sold or changed after the preview, so other prices would change. Preview the prices \
             again, then save"
        }
        ShelfReason::PriceNotPositive => "a price must be more than 0",
        ShelfReason::NoPrice => "there is no price: enter one, or a style with its rate and the weight",
        ShelfReason::SizeHoldsBar => "a size may not hold a |",
        ShelfReason::HoldOfOtherItem => "that hold is for a different item",
        ShelfReason::HoldBeingPaid => "that sale is being paid at the counter; wait until it is done",
        ShelfReason::HoldOfOrder => "this is held for an order; release that hold first",
        ShelfReason::HoldEndsInPast => "the end of a hold must be later than now",
        ShelfReason::HoldTooLong => "a hold can last at most one year",
        ShelfReason::TooManyWords { .. }
        | ShelfReason::TooManyPieces { .. }
        | ShelfReason::TooManyPhotographs { .. }
        | ShelfReason::TooManyPictures { .. }
        | ShelfReason::TooManyItems { .. }
        | ShelfReason::TextCount { .. }
        | ShelfReason::TagCount { .. }
        | ShelfReason::HoldLines { .. }
        | ShelfReason::WorkOutOfRange { .. }
        | ShelfReason::CountOver { .. }
        | ShelfReason::UnknownStyle { .. }
        | ShelfReason::StyleExists { .. }
        | ShelfReason::RemovedBefore { .. }
        | ShelfReason::OtherKind { .. }
        | ShelfReason::StockDiffers { .. }
        | ShelfReason::OtherGtin { .. }
        | ShelfReason::NoPriceByRule { .. }
        | ShelfReason::RemovesUnorderedOnly { .. }
        | ShelfReason::TextChanged { .. } => return None,
    })
}

fn kind_words(kind: ItemKind) -> &'static str {
    match kind {
        ItemKind::Piece => "a piece",
        ItemKind::Counted => "counted goods",
        ItemKind::Weight => "goods by weight",
    }
}

/// Why a rule gives an item no price.
pub fn not_priced(why: &NotPriced) -> String {
    match why {
        NotPriced::NoWeight => "it has no weight".to_owned(),
        NotPriced::Rule(error) => error.to_string(),
    }
}

/// Why a difference of a stock count was not booked.
pub fn left(why: &LeftReason) -> String {
    match why {
        LeftReason::NotAdded(refused) => {
            format!("{}; refund it by its receipt, or find out how it came back", crate::rejection(refused))
        }
        LeftReason::OnHold(refused) => {
            format!("{}; release the hold, then count it by itself", crate::rejection(refused))
        }
        LeftReason::SoldSince => {
            "more was sold after the count than it left in stock; count it by itself".to_owned()
        }
    }
}
