//! Why the shop's own state refused a command, as data: the same answer can be kept by key and
//! shown on any surface.

use domain::day::{Moment, Zone};
use domain::limits::AboveLimit;
use serde::{Deserialize, Serialize};
use std::fmt;

/// By whom and when something was sold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SoldAs {
    /// On which channel.
    pub channel: String,
    /// When.
    pub at: Moment,
    /// The receipt, for a sale rung up here.
    pub receipt: Option<i64>,
    /// The order, for a sale that came in as one.
    pub order: Option<String>,
}

impl fmt::Display for SoldAs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "on {} on {} UTC", self.channel, Zone::utc().shown(self.at))?;
        if let Some(order) = &self.order {
            write!(f, ", order {order}")?;
        } else if let Some(receipt) = self.receipt {
            write!(f, ", receipt {receipt}")?;
        }
        Ok(())
    }
}

/// A refusal: nothing was changed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
#[serde(tag = "refused", rename_all = "kebab-case")]
pub enum Rejection {
    /// No item has the code.
    #[error("no item has the code {code}; scan it again, or add the item first")]
    UnknownCode {
        /// The code.
        code: String,
    },
    /// The code has a wrong digit.
    #[error(
        "the code {code} has a wrong digit (its check digit should be {expected}); scan or type it again"
    )]
    WrongDigit {
        /// The code.
        code: String,
        /// What the last digit should be.
        expected: u8,
    },
    /// Sold before.
    #[error("{title} ({code}) was already sold {sold}; nothing was charged")]
    AlreadySold {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// By whom and when.
        sold: SoldAs,
    },
    /// Gone, but not by a sale.
    #[error("{title} ({code}) is no longer in stock: {why}")]
    Gone {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// What became of it.
        why: String,
    },
    /// Set aside for somebody.
    #[error("{title} ({code}) is on hold for {for_whom}{}", until_words(*.until))]
    OnHold {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// For whom.
        for_whom: String,
        /// Until when.
        until: Option<Moment>,
    },
    /// Less free stock than was asked for.
    #[error("{title} ({code}): {asked} requested, {free} available")]
    NotEnough {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// What was asked for.
        asked: String,
        /// What is free.
        free: String,
    },
    /// The key was used with another body.
    #[error("this key was used for another request before; use a new key for a new request")]
    KeyReused,
    /// The first request with this key has not ended.
    #[error("the first request with this key is still running; ask again in a moment with the same key")]
    StillRunning,
    /// There is no such thing.
    #[error("there is no {what} {id}")]
    NoSuch {
        /// What kind of thing.
        what: String,
        /// How it was named.
        id: String,
    },
    /// The hold is over.
    #[error("the hold {id} has ended ({state}); hold the items again")]
    HoldOver {
        /// The hold.
        id: String,
        /// taken, ended or expired.
        state: String,
    },
    /// A value is wrong.
    #[error("{field}: {reason}")]
    Invalid {
        /// Which field.
        field: String,
        /// What is wrong and what to do.
        reason: String,
    },
    /// More given back than was sold.
    #[error("{title}: you asked to refund {asked}, but only {left} can still be refunded")]
    MoreThanSold {
        /// What was sold.
        title: String,
        /// What was asked.
        asked: String,
        /// What is left.
        left: String,
    },
    /// A sale that cannot be undone this way.
    #[error("sale {id} cannot be voided: {reason}")]
    NotVoidable {
        /// The sale.
        id: String,
        /// Why.
        reason: String,
    },
    /// Somebody else changed it meanwhile.
    #[error(
        "{what} was changed by someone else (revision {current}, not {expected}); reload it and make the change again"
    )]
    Stale {
        /// What.
        what: String,
        /// The revision that the caller knew.
        expected: i64,
        /// The revision it has.
        current: i64,
    },
    /// The code finds another item.
    #[error("the code {code} already belongs to {title}; each item needs its own code")]
    CodeTaken {
        /// The code.
        code: String,
        /// What it finds.
        title: String,
    },
    /// Too many wrong tries to sign in.
    #[error("too many wrong attempts; wait {seconds} s, then try again")]
    TooOften {
        /// How long to wait.
        seconds: i64,
    },
    /// More than the limits of whoever acts allow.
    #[error(transparent)]
    AboveLimit(AboveLimit),
    /// An order came again with another body.
    #[error(
        "order {number} on {channel} was imported before with different contents; a change needs a later dateModified"
    )]
    OrderDiffers {
        /// The channel.
        channel: String,
        /// The order's number.
        number: String,
    },
    /// An order came with the dateModified that it had before, and other contents.
    #[error(
        "order {number} on {channel} has the same dateModified as before but different contents; fetch it again, or \
         send it with a later dateModified"
    )]
    SameDateOtherContents {
        /// The channel.
        channel: String,
        /// The order's number.
        number: String,
    },
    /// Something of an order was given back whose goods are not sold yet.
    #[error(
        "refund {refund} of order {number} is of goods that still wait; choose for them in the Online room, or have \
         the order paid, then take this in again"
    )]
    RefundWaits {
        /// The order's number.
        number: String,
        /// The refund's.
        refund: String,
    },
    /// An order's number came again for another purchase.
    #[error(
        "order {number} on {channel} was placed on another day and has no line in common with this one; \
         if it is another purchase, give it its own number and import it again"
    )]
    NumberUsedAgain {
        /// The channel.
        channel: String,
        /// The order's number.
        number: String,
    },
}

fn until_words(until: Option<Moment>) -> String {
    until.map(|until| format!(" until {} UTC", Zone::utc().shown(until))).unwrap_or_default()
}

impl Rejection {
    /// A value that is wrong, with the words of its own error.
    pub fn invalid(field: impl Into<String>, reason: impl fmt::Display) -> Self {
        Self::Invalid { field: field.into(), reason: reason.to_string() }
    }

    /// There is no such thing.
    pub fn no_such(what: &str, id: impl fmt::Display) -> Self {
        Self::NoSuch { what: what.to_owned(), id: id.to_string() }
    }

    /// Whether the same key gets this answer for good. What may pass by itself (a hold that runs
    /// out, a request still running, a stale revision) is asked anew.
    pub fn is_kept(&self) -> bool {
        match self {
            Self::AlreadySold { .. }
            | Self::Invalid { .. }
            | Self::MoreThanSold { .. }
            | Self::NotVoidable { .. }
            | Self::WrongDigit { .. }
            | Self::Gone { .. } => true,
            Self::UnknownCode { .. }
            | Self::OnHold { .. }
            | Self::NotEnough { .. }
            | Self::KeyReused
            | Self::StillRunning
            | Self::NoSuch { .. }
            | Self::HoldOver { .. }
            | Self::Stale { .. }
            | Self::CodeTaken { .. }
            | Self::TooOften { .. }
            | Self::AboveLimit(_)
            | Self::OrderDiffers { .. }
            | Self::SameDateOtherContents { .. }
            | Self::RefundWaits { .. }
            | Self::NumberUsedAgain { .. } => false,
        }
    }
}
