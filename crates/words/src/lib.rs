//! The sentences of what the ledger refuses. The ledger answers data; every surface says it with these, so that
//! a page, the API, the command line and a log of the sync tell the same story.
//!
//! A sentence says what happened, where, and what to do next. It begins small and has no period at its end,
//! since it stands behind a field's name, a row's number or a title; where it stands alone, its surface adds them.

mod customers;
mod online;
mod orders;
mod people;
mod promised;
mod reason;
mod sales;
mod shelf;
mod shop;
mod subject;

pub use reason::reason;
pub use shelf::{left, not_priced};
pub use subject::{gone, held_for, refundable, thing};

use domain::channel::Channel;
use ledger::{CommandError, Rejection, SoldAs};

/// Why a command failed.
pub fn failure(failure: &CommandError) -> String {
    match failure {
        CommandError::Rejected(refused) => rejection(refused),
        CommandError::Storage(trouble) => trouble.to_string(),
    }
}

/// Why the shop's state refused a command; nothing was changed.
pub fn rejection(rejection: &Rejection) -> String {
    match rejection {
        Rejection::Invalid { field, reason: wrong } => format!("{field}: {}", reason(wrong)),
        Rejection::UnknownCode { .. }
        | Rejection::WrongDigit { .. }
        | Rejection::CodeTaken { .. }
        | Rejection::AlreadySold { .. }
        | Rejection::Gone { .. }
        | Rejection::OnHold { .. }
        | Rejection::NotEnough { .. } => of_item(rejection),
        Rejection::OrderDiffers { .. }
        | Rejection::SameDateOtherContents { .. }
        | Rejection::RefundWaits { .. }
        | Rejection::NumberUsedAgain { .. } => of_order(rejection),
        Rejection::KeyReused => {
            "this key was used for another request before; use a new key for a new request".to_owned()
        }
        Rejection::StillRunning => {
            "the first request with this key is still running; ask again in a moment with the same key"
                .to_owned()
        }
        Rejection::NoSuch { what, id } => format!("there is no {} {id}", subject::thing(*what)),
        Rejection::HoldOver { id, state } => {
            format!("the hold {id} has ended ({}); hold the items again", subject::hold_state(state))
        }
        Rejection::MoreThanSold { what, asked, left } => {
            let (what, asked) = (subject::refund_of(what), refundable(asked));
            format!(
                "{what}: you asked to refund {asked}, but only {} can still be refunded",
                refundable(left)
            )
        }
        Rejection::NotVoidable { id, reason } => {
            format!("sale {id} cannot be voided: {}", subject::not_voidable(*reason))
        }
        Rejection::Stale { what, .. } => {
            format!(
                "{} was changed by someone else; reload it and make the change again",
                subject::edited(what)
            )
        }
        Rejection::TooOften { seconds } => {
            format!("too many wrong attempts; wait {seconds} s, then try again")
        }
        Rejection::AboveLimit(above) => above.to_string(),
    }
}

/// What is about one item.
fn of_item(rejection: &Rejection) -> String {
    match rejection {
        Rejection::UnknownCode { code } => {
            format!("no item has the code {code}; scan it again, or add the item first")
        }
        Rejection::WrongDigit { code, expected } => format!(
            "the code {code} has a wrong digit (its check digit should be {expected}); scan or type it again"
        ),
        Rejection::CodeTaken { code, title } => {
            format!("the code {code} already belongs to {title}; each item needs its own code")
        }
        Rejection::AlreadySold { code, title, sold } => {
            format!("{title} ({code}) was already sold {}; nothing was charged", sold_as(sold))
        }
        Rejection::Gone { code, title, why } => {
            format!("{title} ({code}) is no longer in stock: {}", gone(*why))
        }
        Rejection::OnHold { code, title, for_whom, until } => {
            let until = until.as_ref().map(|until| format!(" {}", until.until())).unwrap_or_default();
            format!("{title} ({code}) is on hold for {}{until}", held_for(for_whom))
        }
        Rejection::NotEnough { code, title, asked, free } => {
            format!("{title} ({code}): {asked} requested, {free} available")
        }
        _ => String::new(),
    }
}

/// What is about one online order.
fn of_order(rejection: &Rejection) -> String {
    match rejection {
        Rejection::OrderDiffers { channel, number } => format!(
            "order {number} on {channel} was imported before with different contents; a change needs a later \
             modification date"
        ),
        Rejection::SameDateOtherContents { channel, number } => format!(
            "order {number} on {channel} has the same modification date as before but different contents; fetch \
             it again, or send it with a later date"
        ),
        Rejection::RefundWaits { number, refund } => format!(
            "refund {refund} of order {number} is for items that are not sold yet; decide about them on the order's \
             page, or have the order paid, then import this again"
        ),
        Rejection::NumberUsedAgain { channel, number } => format!(
            "order {number} on {channel} was placed on another day and has no line in common with this one; if it \
             is another purchase, give it its own number and import it again"
        ),
        _ => String::new(),
    }
}

/// The receipt or the order tells where; a channel's code tells nobody who does not write programs.
fn sold_as(sold: &SoldAs) -> String {
    let by = match (&sold.order, sold.receipt) {
        (Some(order), _) => format!(", order {order}"),
        (None, Some(receipt)) => format!(", receipt {receipt}"),
        (None, None) => String::new(),
    };
    let online = if sold.channel == Channel::online().as_str() { "online " } else { "" };
    format!("{online}on {}{by}", sold.at.shown())
}
