//! What is wrong with a deposit or a custom order.

use ledger::rejection::SalesReason;

/// None for what is wrong with anything else of a sale.
pub(crate) fn words(reason: &SalesReason) -> Option<String> {
    Some(match reason {
        SalesReason::DepositShort { left, asked } => format!(
            "{} of this deposit is left, less than {}; take the rest another way",
            left.shown(),
            asked.shown()
        ),
        SalesReason::DepositSpent { left, asked } => {
            format!("{} of this deposit is left, so {} cannot be refunded", left.shown(), asked.shown())
        }
        SalesReason::DepositChanged { now, shown } => format!(
            "{} of this deposit is left now, not {}. Check it and try again",
            now.shown(),
            shown.shown()
        ),
        SalesReason::DepositForAnother { sold } => format!(
            "a deposit pays only for goods; take the {} of gift certificates and deposits another way",
            sold.shown()
        ),
        SalesReason::DepositFirst { part } => format!(
            "a deposit paid for a part of this sale; {} of the refund must go back to the deposit first",
            part.shown()
        ),
        SalesReason::DepositReturned { paid, asked } => format!(
            "deposits paid {} of this sale that was not given back yet, so {} cannot go back to them",
            paid.shown(),
            asked.shown()
        ),
        SalesReason::DepositForNothing => {
            "a deposit is for a hold or a custom order; open it, and take the deposit there".to_owned()
        }
        SalesReason::DepositNeedsCustomer => {
            "this hold names no customer; hold the items for a customer before you take a deposit".to_owned()
        }
        SalesReason::DepositOfAnother => {
            "this deposit belongs to another customer; choose that customer for the sale, or start a new sale"
                .to_owned()
        }
        SalesReason::DepositForEnded => {
            "this hold or custom order has ended, so no deposit can be taken for it".to_owned()
        }
        SalesReason::DepositEmpty => "nothing is left of this deposit".to_owned(),
        SalesReason::DepositNeeded => "choose the deposit that pays".to_owned(),
        SalesReason::DepositNotUsed => "a deposit is named only with a payment by deposit".to_owned(),
        SalesReason::DepositForOther => {
            "this deposit pays only for what it was paid for; add that to the sale, or refund the deposit"
                .to_owned()
        }
        SalesReason::OrderNotOpen => {
            "this custom order is not waiting for a piece any more; open it again to see how far it is"
                .to_owned()
        }
        SalesReason::OrderNotMade => "no piece is made for this custom order; make it first".to_owned(),
        SalesReason::OrderEnded => "this custom order was collected or canceled before".to_owned(),
        SalesReason::OrderOfNothing => "choose a style, or describe in the note what is wanted".to_owned(),
        SalesReason::OrderDueInPast => "the due date has passed; enter today or a later day".to_owned(),
        _ => return None,
    })
}
