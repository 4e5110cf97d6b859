//! An online order as it comes in, whatever file or message it came by.

use crate::channel::Channel;
use crate::codes::Code;
use crate::day::Moment;
use crate::money::Money;
use crate::quantity::Asked;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Longest order or refund number.
pub const MAX_NUMBER_CHARS: usize = 64;

/// schema.org's `OrderStatus`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum OrderStatus {
    /// Holds stock and makes no sale.
    OrderPaymentDue,
    /// What an order without a status is.
    OrderProcessing,
    /// On its way.
    OrderInTransit,
    /// Waits to be fetched.
    OrderPickupAvailable,
    /// Arrived.
    OrderDelivered,
    /// Something is wrong; the sale stands.
    OrderProblem,
    /// Undoes what is left of it.
    OrderCancelled,
    /// Undoes what is left of it.
    OrderReturned,
    /// A word that nobody here knows, and none of schema.org's: holds stock and makes no sale, until a
    /// later state or a person says what it means.
    Unknown,
}

/// What a status means for stock and books.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Stock is held, nothing is sold.
    Unpaid,
    /// The filled lines are sold.
    Sold,
    /// What is left is undone.
    Undone,
}

impl OrderStatus {
    /// Every status of schema.org's.
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

    /// By schema.org's name, bare or as its address.
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

    /// What it means here.
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

/// Not an order or refund number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("an order or refund number has 1 to {MAX_NUMBER_CHARS} printable characters")]
pub struct NotANumber;

/// The number that the online shop gave an order, or one of its refunds: its own text, trimmed.
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
    /// 1 to [`MAX_NUMBER_CHARS`] printable characters.
    pub fn parse(text: &str) -> Result<Self, NotANumber> {
        let text = text.trim();
        let length = text.chars().count();
        if length == 0 || length > MAX_NUMBER_CHARS || text.chars().any(char::is_control) {
            return Err(NotANumber);
        }
        Ok(Self(text.to_owned()))
    }

    /// The number.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for OrderNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// What a line's money was given for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LinePrice {
    /// The price of one.
    Each(Money),
    /// The whole line's money, kept as it came.
    Line(Money),
}

/// A line of an order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IncomingLine {
    /// sku or GTIN; none only in past orders.
    pub code: Option<Code>,
    /// The name that the online shop gave it; empty if none.
    pub name: String,
    /// How much, more than 0.
    pub quantity: Asked,
    /// Its money.
    pub price: LinePrice,
    /// Off the whole line.
    pub discount: Money,
    /// Tax of the whole line.
    pub tax: Money,
}

/// What a refund of an order gave back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Refunded {
    /// So much of a line, more than 0, with the money that was paid for it.
    Goods(Asked),
    /// Money alone, more than 0 and with its tax: the buyer keeps the goods.
    Money(Money),
}

/// A refund of an order, as the online shop tells of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IncomingRefund {
    /// The shop's number for this refund, or the row's own hash and its count within the order.
    pub number: OrderNumber,
    /// Which of the order's lines. Money alone without it is of the whole order.
    pub code: Option<Code>,
    /// The name, for a past line without code.
    pub name: String,
    /// What was given back.
    pub what: Refunded,
}

/// Who bought. Kept beside the order and never part of its body.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Customer {
    /// Name.
    pub name: String,
    /// Mail address.
    pub email: String,
}

/// An order as it comes in. Its key is (channel, number).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IncomingOrder {
    /// Where it was placed.
    pub channel: Channel,
    /// The online shop's number.
    pub number: OrderNumber,
    /// When it was placed.
    pub ordered: Moment,
    /// When it last changed, if the feed says so.
    pub modified: Option<Moment>,
    /// Its status.
    pub status: OrderStatus,
    /// What was ordered.
    pub lines: Vec<IncomingLine>,
    /// What came back.
    pub refunds: Vec<IncomingRefund>,
    /// Off the order as a whole.
    pub discount: Money,
    /// Shipping charged.
    pub shipping: Money,
    /// What the channel kept.
    pub fee: Money,
    /// Who bought; not part of the body.
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
