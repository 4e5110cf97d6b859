//! What a refusal is about.

use serde::{Deserialize, Serialize};

/// A kind of thing that was looked for and is not there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Thing {
    /// An item.
    Item,
    /// A style.
    Style,
    /// A hold.
    Hold,
    /// A stock count.
    StockCount,
    /// A sale being rung up.
    CurrentSale,
    /// A completed sale.
    Sale,
    /// A sale, by its receipt number.
    Receipt,
    /// A line of the sale that was named.
    SaleLine,
    /// A refund.
    Refund,
    /// A line of a refund.
    RefundLine,
    /// A sale on account.
    OpenBalance,
    /// A gift certificate.
    Certificate,
    /// A deposit.
    Deposit,
    /// A custom order.
    CustomOrder,
    /// From a cash drawer's opening to its count.
    DrawerTurn,
    /// An online order.
    Order,
    /// An online order that is not a past one.
    LiveOrder,
    /// A line of the order that was named.
    OrderLine,
    /// An order that waits to be taken in.
    DeferredOrder,
    /// A connection, that of files included.
    Connection,
    /// A connection to an online shop.
    LiveConnection,
    /// A difference between an online shop's list and ours.
    Difference,
    /// A layout of a feed.
    Layout,
    /// A run of a feed.
    Run,
    /// A customer.
    Customer,
    /// A person.
    Person,
    /// A session.
    Session,
    /// A device.
    Device,
    /// A token.
    Token,
}

/// Whose a hold is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeldFor {
    /// By the name that was written down.
    Name(String),
    /// A customer whose name nobody wrote down.
    Customer,
    /// A sale that is being paid.
    Sale,
    /// A market day.
    Market,
    /// An online order that is not paid.
    Order,
}

/// What somebody else changed in the meantime.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Edited {
    /// The sale being rung up.
    CurrentSale,
    /// A customer.
    Customer,
    /// An item.
    Item {
        /// By which code.
        code: String,
    },
    /// A style.
    Style {
        /// Its name.
        name: String,
    },
    /// A layout.
    Layout {
        /// Its name.
        name: String,
    },
}

/// Why a sale cannot be voided.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotVoidable {
    /// It comes from another system.
    Past,
    /// It is an online order.
    OfOrder,
    /// It was made on another day.
    NotToday,
    /// It was voided, or a part of it was refunded or paid.
    Settled,
    /// A gift certificate that it sold was spent.
    CertificateSpent,
    /// A deposit that was paid in it was spent, refunded or forfeited.
    DepositSpent,
}

/// What a refund gives back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RefundOfWhat {
    /// Goods of this name, or money of them.
    Line(String),
    /// Shipping.
    Shipping,
    /// Money of the order as a whole.
    Order,
}

/// How much a refund was to give back, or may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Refundable {
    /// Goods.
    Goods(domain::quantity::Quantity),
    /// Money.
    Money(domain::money::Money),
}
