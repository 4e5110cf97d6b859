//! Why the shop's own state refused a command, as data alone: an answer can be kept by key, a test can
//! compare it, and each surface makes its own sentence of it.

mod books;
mod customers;
mod online;
mod orders;
mod people;
mod reason;
mod sales;
mod shelf;
mod shop;
mod subject;
#[cfg(test)]
mod tests;

pub use books::BooksReason;
pub use customers::CustomersReason;
pub use online::OnlineReason;
pub use orders::OrdersReason;
pub use people::PeopleReason;
pub use reason::Reason;
pub use sales::SalesReason;
pub use shelf::{NotPriced, ShelfReason};
pub use shop::ShopReason;
pub use subject::{Edited, HeldFor, NotVoidable, RefundOfWhat, Refundable, Thing};

use domain::day::ShopTime;
use domain::limits::AboveLimit;
use domain::quantity::Quantity;
use domain::stock::StockReason;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::fmt;

/// By whom and when something was sold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SoldAs {
    /// On which channel.
    pub channel: String,
    /// When.
    pub at: ShopTime,
    /// The receipt, for a sale rung up here.
    pub receipt: Option<i64>,
    /// The order, for a sale that came in as one.
    pub order: Option<String>,
}

/// A refusal: nothing was changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "refused", rename_all = "kebab-case")]
pub enum Rejection {
    /// No item has the code.
    UnknownCode {
        /// The code.
        code: String,
    },
    /// The code has a wrong digit.
    WrongDigit {
        /// The code.
        code: String,
        /// What the last digit should be.
        expected: u8,
    },
    /// Sold before.
    AlreadySold {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// By whom and when.
        sold: Box<SoldAs>,
    },
    /// Gone, but not by a sale.
    Gone {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// What became of it.
        why: Option<StockReason>,
    },
    /// Set aside for somebody.
    OnHold {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// For whom.
        for_whom: HeldFor,
        /// Until when; none for a hold without an end.
        until: Option<ShopTime>,
    },
    /// Less free stock than was asked for.
    NotEnough {
        /// The code.
        code: String,
        /// Its name.
        title: String,
        /// What was asked for.
        asked: Quantity,
        /// What is free.
        free: Quantity,
    },
    /// The key was used with another body.
    KeyReused,
    /// The first request with this key has not ended.
    StillRunning,
    /// There is no such thing.
    NoSuch {
        /// What kind of thing.
        what: Thing,
        /// How it was named.
        id: String,
    },
    /// The hold is over.
    HoldOver {
        /// The hold.
        id: String,
        /// taken, ended or expired.
        state: String,
    },
    /// A value is wrong.
    Invalid {
        /// Which field.
        field: String,
        /// What is wrong with it.
        reason: Reason,
    },
    /// More given back than was sold.
    MoreThanSold {
        /// What was sold.
        what: RefundOfWhat,
        /// What was asked.
        asked: Refundable,
        /// What is left.
        left: Refundable,
    },
    /// A sale that cannot be undone this way.
    NotVoidable {
        /// The sale.
        id: String,
        /// Why.
        reason: NotVoidable,
    },
    /// Somebody else changed it meanwhile.
    Stale {
        /// What.
        what: Edited,
        /// The revision that the caller knew.
        expected: i64,
        /// The revision it has.
        current: i64,
    },
    /// The code finds another item.
    CodeTaken {
        /// The code.
        code: String,
        /// What it finds.
        title: String,
    },
    /// Too many wrong tries to sign in.
    TooOften {
        /// How long to wait.
        seconds: i64,
    },
    /// More than the limits of whoever acts allow.
    AboveLimit(AboveLimit),
    /// An order came again with another body.
    OrderDiffers {
        /// The channel.
        channel: String,
        /// The order's number.
        number: String,
    },
    /// An order came with the dateModified that it had before, and other contents.
    SameDateOtherContents {
        /// The channel.
        channel: String,
        /// The order's number.
        number: String,
    },
    /// Something of an order was given back whose goods are not sold yet.
    RefundWaits {
        /// The order's number.
        number: String,
        /// The refund's.
        refund: String,
    },
    /// An order's number came again for another purchase.
    NumberUsedAgain {
        /// The channel.
        channel: String,
        /// The order's number.
        number: String,
    },
}

impl std::error::Error for Rejection {}

impl fmt::Display for Rejection {
    /// A short code for the log, such as `already-sold` or `invalid amount: sales/no-amount`. What people
    /// read is made by the surface.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Data alone, of which nothing can fail to be written.
        let value = serde_json::to_value(self).unwrap_or_default();
        f.write_str(value["refused"].as_str().unwrap_or_default())?;
        match self {
            Self::Invalid { field, .. } => write!(f, " {field}: {}", path(&value["reason"])),
            _ => Ok(()),
        }
    }
}

/// Of which room a reason is, and which: `sales/no-amount`.
fn path(reason: &Value) -> String {
    let first = |value: &Value| value.as_object().and_then(|tagged| tagged.iter().next().map(owned));
    let Some((room, inner)) = first(reason) else { return String::new() };
    let name = inner.as_str().map(str::to_owned).or_else(|| first(&inner).map(|(name, _)| name));
    name.map_or_else(|| room.clone(), |name| format!("{room}/{name}"))
}

fn owned((name, value): (&String, &Value)) -> (String, Value) {
    (name.clone(), value.clone())
}

impl Rejection {
    /// A value that is wrong.
    pub fn invalid(field: impl Into<String>, reason: impl Into<Reason>) -> Self {
        Self::Invalid { field: field.into(), reason: reason.into() }
    }

    /// There is no such thing.
    pub fn no_such(what: Thing, id: impl fmt::Display) -> Self {
        Self::NoSuch { what, id: id.to_string() }
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
