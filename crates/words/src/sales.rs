//! What is wrong with a sale, a payment, a refund or the cash drawer.

use crate::promised;
use ledger::rejection::SalesReason;

pub(crate) fn words(reason: &SalesReason) -> String {
    match reason {
        SalesReason::DrawerHolds { expected } => {
            format!("the drawer should hold only {}; check the amount", expected.shown())
        }
        SalesReason::OverBalance { balance, given } => {
            format!("the open balance is {}, less than the {} entered", balance.shown(), given.shown())
        }
        SalesReason::WeightMissing { title, unit } => {
            format!("{title} is sold by weight; enter the weight in {unit}")
        }
        SalesReason::AlreadyInSale { title, sku } => {
            format!("{title} ({sku}) is already in this sale, and there is only one")
        }
        SalesReason::PieceTwice { title, sku } => {
            format!("{title} ({sku}) is on two lines, and there is only one; remove one of them")
        }
        SalesReason::TotalChanged { now, shown } => {
            format!("the total is now {}, not {}. Check the sale and try again", now.shown(), shown.shown())
        }
        SalesReason::LeftChanged { now, shown } if now.is_negative() => {
            let back = now.negated().shown();
            format!(
                "{back} is to be paid back now; this sale was changed meanwhile. It said {}",
                shown.shown()
            )
        }
        SalesReason::LeftChanged { now, shown } => format!(
            "{} is left to pay now, not {}; this sale was changed meanwhile. Enter what you received",
            now.shown(),
            shown.shown()
        ),
        SalesReason::AlreadyPaid { taken } => {
            format!("{} was already paid. Go back to the sale and return it first", taken.shown())
        }
        SalesReason::MoneyAloneOf { title } => {
            format!("only money is refunded for {title}; leave out what happens to the goods")
        }
        SalesReason::NotStock { title } => {
            format!("{title} is not a stock item, so it cannot be returned to stock")
        }
        SalesReason::BalanceFirst { balance, part } => format!(
            "this sale has an open balance of {}; {} of the refund must lower it first",
            balance.shown(),
            part.shown()
        ),
        SalesReason::RefundUnbalanced { total, given } => {
            format!("the refund is {}, but the payments add up to {}", total.shown(), given.shown())
        }
        SalesReason::CertificateUnknown { last_four } => {
            format!(
                "no gift certificate has the number that ends in {last_four}; compare it with the certificate"
            )
        }
        SalesReason::CertificateShort { last_four, left, asked } => format!(
            "the gift certificate that ends in {last_four} has {} left, less than {}; take the rest another way",
            left.shown(),
            asked.shown()
        ),
        SalesReason::CertificateSpent { left, asked } => format!(
            "{} of this gift certificate is left, so {} cannot be refunded; it was spent",
            left.shown(),
            asked.shown()
        ),
        SalesReason::CertificateChanged { now, shown } => format!(
            "{} is left on this gift certificate now, not {}. Check it and try again",
            now.shown(),
            shown.shown()
        ),
        SalesReason::CertificateForAnother { sold } => format!(
            "a gift certificate cannot pay for another one; take the {} of new gift certificates another way",
            sold.shown()
        ),
        SalesReason::LineTwice { title } => {
            format!("{title} is on two lines of the refund; put it on one")
        }
        other => fixed(other).map(str::to_owned).or_else(|| promised::words(other)).unwrap_or_default(),
    }
}

/// Sentences that name nothing; none for the reasons that hold what theirs names.
fn fixed(reason: &SalesReason) -> Option<&'static str> {
    Some(match reason {
        SalesReason::DrawerFull => {
            "the drawer would hold more cash than it can. Check the amount, or close the drawer and open it again"
        }
        SalesReason::DrawerOpen => "this drawer is already open. Close it before you open it again",
        SalesReason::DrawerClosed => "this drawer is closed; open it first",
        SalesReason::NoAmount => "enter an amount above 0",
        SalesReason::NotAPayment => "a payment must be more than 0 and cannot be on account",
        SalesReason::BalanceVoided => "the sale was voided, so there is no open balance",
        SalesReason::RefundOverBalance => "the open balance is less than this; refund the rest another way",
        SalesReason::CertificateOfNothing => "a gift certificate or deposit must be more than 0",
        SalesReason::CertificateDiscounted => "a gift certificate or deposit cannot be discounted",
        SalesReason::CertificateInDiscount => {
            "a gift certificate or deposit cannot be discounted; discount the goods instead"
        }
        SalesReason::CertificateQuantity => "a gift certificate or deposit has a quantity of 1",
        SalesReason::CertificateUnnumbered => {
            "only a gift certificate has a number, and it needs one; remove the line and add it again"
        }
        SalesReason::CertificateNeeded => "enter the number of the gift certificate",
        SalesReason::CertificateNotUsed => {
            "a gift certificate's number goes only with a payment by gift certificate"
        }
        SalesReason::CertificateEmpty => "nothing is left on this gift certificate",
        SalesReason::LineWithoutItem => "a line has no item; scan it again",
        SalesReason::NothingToPay => "this sale has no items to pay for",
        SalesReason::NothingToHold => "this sale has no items to hold",
        SalesReason::ExchangeNotHeld => {
            "an exchange cannot be held for a customer; complete it, or discard it and hold the items at the Shelf"
        }
        SalesReason::NotPaying => "choose how the customer pays first, so that the items are held",
        SalesReason::NothingToUndo => "there is nothing left to undo in this sale",
        SalesReason::BeingPaid => "this sale is being paid; go back to it before you change it",
        SalesReason::Discarded => "this sale was discarded; start a new one",
        SalesReason::Completed => "this sale is complete; start a new one",
        SalesReason::HoldOfAnother => "this hold belongs to another sale or an order, which releases it",
        SalesReason::HoldDiffers => "the hold does not match the lines of this sale; hold the items again",
        SalesReason::AccountIncomplete => "a payment on account needs a customer and a due date",
        SalesReason::DueWithoutAccount => "only a payment on account has a due date",
        SalesReason::Unbalanced => "the payments do not add up to the sale",
        SalesReason::NoDisposition => "choose shelf or written-off",
        SalesReason::MoneyAlone => "only money was refunded, so no goods come back",
        SalesReason::DispositionDecided => "these items were already returned to stock or written off",
        SalesReason::AllRefunded => "everything in this sale has already been refunded",
        SalesReason::NothingLeftToPay => "nothing is left to pay, so no payment can be taken",
        SalesReason::SaleVoided => "this sale was voided, so there is nothing to refund",
        SalesReason::NegativeShipping => "refunded shipping may not be below 0",
        SalesReason::DrawerHolds { .. }
        | SalesReason::OverBalance { .. }
        | SalesReason::WeightMissing { .. }
        | SalesReason::AlreadyInSale { .. }
        | SalesReason::PieceTwice { .. }
        | SalesReason::TotalChanged { .. }
        | SalesReason::LeftChanged { .. }
        | SalesReason::AlreadyPaid { .. }
        | SalesReason::MoneyAloneOf { .. }
        | SalesReason::NotStock { .. }
        | SalesReason::BalanceFirst { .. }
        | SalesReason::RefundUnbalanced { .. }
        | SalesReason::CertificateUnknown { .. }
        | SalesReason::CertificateShort { .. }
        | SalesReason::CertificateSpent { .. }
        | SalesReason::CertificateChanged { .. }
        | SalesReason::CertificateForAnother { .. }
        | SalesReason::DepositChanged { .. }
        | SalesReason::DepositEmpty
        | SalesReason::DepositFirst { .. }
        | SalesReason::DepositForAnother { .. }
        | SalesReason::DepositForEnded
        | SalesReason::DepositForNothing
        | SalesReason::DepositForOther
        | SalesReason::DepositNeeded
        | SalesReason::DepositNeedsCustomer
        | SalesReason::DepositNotUsed
        | SalesReason::DepositOfAnother
        | SalesReason::DepositReturned { .. }
        | SalesReason::DepositShort { .. }
        | SalesReason::DepositSpent { .. }
        | SalesReason::OrderDueInPast
        | SalesReason::OrderEnded
        | SalesReason::OrderNotMade
        | SalesReason::OrderNotOpen
        | SalesReason::OrderOfNothing
        | SalesReason::LineTwice { .. } => return None,
    })
}
