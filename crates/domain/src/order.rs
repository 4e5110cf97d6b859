//! An online order as it arrives, from any file or message.

use crate::channel::Channel;
use crate::codes::Code;
use crate::day::Moment;
use crate::money::Money;
use crate::quantity::Asked;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The longest order or refund number. Our own bound.
pub const MAX_NUMBER_CHARS: usize = 64;

/// The statuses of schema.org's `OrderStatus`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum OrderStatus {
    /// Not paid yet: stock is held, nothing is sold.
    OrderPaymentDue,
    /// Paid; also the status of an order that has none.
    OrderProcessing,
    /// Shipped.
    OrderInTransit,
    /// Ready to be picked up.
    OrderPickupAvailable,
    /// Delivered.
    OrderDelivered,
    /// Something is wrong, but the sale stands.
    OrderProblem,
    /// Canceled: whatever is left of the order is undone.
    OrderCancelled,
    /// Returned: whatever is left of the order is undone.
    OrderReturned,
    /// An unknown word, not one of schema.org's. Stock is held and nothing is sold, until a later state
    /// or a person says what it means.
    Unknown,
}

/// What a status means for stock and books.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Stock is held, nothing is sold.
    Unpaid,
    /// The filled lines are sold.
    Sold,
    /// Whatever is left is undone.
    Undone,
}

impl OrderStatus {
    /// Every status that schema.org has.
    pub const ALL: [Self; 8] = [
        Self::OrderPaymentDue,
        Self::OrderProcessing,
        Self::OrderInTransit,
        Self::OrderPickupAvailable,
        Self::OrderDelivered,
        Self::OrderProblem,
        Self::OrderCancelled,
        Self::OrderReturned,
    ];

    /// By schema.org's name, alone or as its address.
    pub fn from_code(code: &str) -> Option<Self> {
        let bare = code
            .strip_prefix("https://schema.org/")
            .or_else(|| code.strip_prefix("http://schema.org/"))
            .unwrap_or(code);
        Self::ALL.into_iter().chain([Self::Unknown]).find(|s| s.code() == bare)
    }

    /// schema.org's name.
    pub fn code(self) -> &'static str {
        match self {
            Self::OrderPaymentDue => "OrderPaymentDue",
            Self::OrderProcessing => "OrderProcessing",
            Self::OrderInTransit => "OrderInTransit",
            Self::OrderPickupAvailable => "OrderPickupAvailable",
            Self::OrderDelivered => "OrderDelivered",
            Self::OrderProblem => "OrderProblem",
            Self::OrderCancelled => "OrderCancelled",
            Self::OrderReturned => "OrderReturned",
            Self::Unknown => "Unknown",
        }
    }

    /// What the status means here.
    pub fn standing(self) -> Standing {
        match self {
            Self::OrderPaymentDue | Self::Unknown => Standing::Unpaid,
            Self::OrderCancelled | Self::OrderReturned => Standing::Undone,
            Self::OrderProcessing
            | Self::OrderInTransit
            | Self::OrderPickupAvailable
            | Self::OrderDelivered
            | Self::OrderProblem => Standing::Sold,
        }
    }
}

impl fmt::Display for OrderStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// The text is not an order or refund number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[error("an order or refund number has 1 to {MAX_NUMBER_CHARS} printable characters")]
pub struct NotANumber;

/// The online shop's own number for an order or refund, trimmed.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String")]
pub struct OrderNumber(String);

impl TryFrom<String> for OrderNumber {
    type Error = NotANumber;
    fn try_from(text: String) -> Result<Self, NotANumber> {
        Self::parse(&text)
    }
}

impl OrderNumber {
    /// Accepts 1 to [`MAX_NUMBER_CHARS`] printable characters.
    pub fn parse(text: &str) -> Result<Self, NotANumber> {
        let text = text.trim();
        let length = text.chars().count();
        if length == 0 || length > MAX_NUMBER_CHARS || text.chars().any(char::is_control) {
            return Err(NotANumber);
        }
        Ok(Self(text.to_owned()))
    }

    /// The number as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for OrderNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// How the price of a line is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LinePrice {
    /// The price of one.
    Each(Money),
    /// The amount of the whole line, kept as it came.
    Line(Money),
}

/// A line of an order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IncomingLine {
    /// The SKU or GTIN; only past orders may have none.
    pub code: Option<Code>,
    /// The online shop's name for it; may be empty.
    pub name: String,
    /// More than 0.
    pub quantity: Asked,
    /// For one, or for the whole line.
    pub price: LinePrice,
    /// Taken off the whole line.
    pub discount: Money,
    /// The sales tax of the whole line.
    pub tax: Money,
}

/// What a refund of an order returns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Refunded {
    /// A quantity of a line, more than 0, with the money that was paid for it.
    Goods(Asked),
    /// Only money, tax included and more than 0: the buyer keeps the goods.
    Money(Money),
}

/// A refund as the online shop reports it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IncomingRefund {
    /// The online shop's number for the refund; if it has none, the hash of the row and its count
    /// within the order.
    pub number: OrderNumber,
    /// The line of the order. Without it, a refund of money concerns the whole order.
    pub code: Option<Code>,
    /// The name, for a line of a past order that has no code.
    pub name: String,
    /// Goods or money.
    pub what: Refunded,
}

/// The buyer. Stored beside the order, never in its body.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Customer {
    /// May be empty.
    pub name: String,
    /// Email address; may be empty.
    pub email: String,
}

/// An order as it arrives. Channel and number identify it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IncomingOrder {
    /// The channel on which it was placed.
    pub channel: Channel,
    /// The online shop's number for it.
    pub number: OrderNumber,
    /// When it was placed.
    pub ordered: Moment,
    /// When it last changed, if the feed says so.
    pub modified: Option<Moment>,
    /// Decides between held, sold and undone.
    pub status: OrderStatus,
    /// At least one.
    pub lines: Vec<IncomingLine>,
    /// All refunds so far.
    pub refunds: Vec<IncomingRefund>,
    /// Taken off the whole order.
    pub discount: Money,
    /// Shipping that the buyer pays.
    pub shipping: Money,
    /// The fee that the channel keeps.
    pub fee: Money,
    /// The buyer; not part of the body.
    #[serde(skip)]
    pub customer: Customer,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_status_reads_bare_or_as_its_address() {
        // The names of https://schema.org/OrderStatus, release 30.0.
        let check = |code: &str, expected: Option<Standing>| {
            assert_eq!(OrderStatus::from_code(code).map(OrderStatus::standing), expected, "{code}");
        };
        check("OrderPaymentDue", Some(Standing::Unpaid));
        check("https://schema.org/OrderPaymentDue", Some(Standing::Unpaid));
        check("OrderProcessing", Some(Standing::Sold));
        check("http://schema.org/OrderInTransit", Some(Standing::Sold));
        check("OrderPickupAvailable", Some(Standing::Sold));
        check("OrderDelivered", Some(Standing::Sold));
        check("OrderProblem", Some(Standing::Sold));
        check("OrderCancelled", Some(Standing::Undone));
        check("https://schema.org/OrderReturned", Some(Standing::Undone));
        check("paid", None);
        check("orderprocessing", None);
        check("https://schema.org/", None);
        for status in OrderStatus::ALL {
            assert_eq!(OrderStatus::from_code(status.code()), Some(status));
        }
    }

    #[test]
    fn a_number_is_printable_and_bounded() {
        let check = |text: &str, expected: Option<&str>| {
            assert_eq!(OrderNumber::parse(text).ok().as_ref().map(OrderNumber::as_str), expected, "{text:?}");
        };
        let longest = "9".repeat(MAX_NUMBER_CHARS);
        check("  640 ", Some("640"));
        check("#A-7/2", Some("#A-7/2"));
        check(&longest, Some(&longest));
        check(&format!("{longest}9"), None);
        check("", None);
        check("   ", None);
        check("10\u{0}01", None);
        check("10\n01", None);
    }
}
