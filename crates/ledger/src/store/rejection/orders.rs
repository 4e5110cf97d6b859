//! What is wrong with an online order, or with what a person chooses for it.

use domain::channel::Channel;
use domain::money::Currency;
use domain::order::{OrderNumber, OrderStatus};
use serde::{Deserialize, Serialize};

/// Why a value is refused that has to do with online orders.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OrdersReason {
    /// The money of a line changed after a part of it was refunded.
    MoneyChanged {
        /// Which line.
        title: String,
    },
    /// A line changed that a person had substituted.
    SubstituteChanged {
        /// What was ordered.
        title: String,
        /// What was sold instead.
        substitute: String,
    },
    /// A refund of an order of which nothing was sold.
    NothingSold {
        /// The order.
        number: OrderNumber,
    },
    /// A refund of goods that the order has not sold.
    NotInOrder {
        /// As the refund names them.
        goods: String,
    },
    /// A past order changes by its end alone.
    PastOrder,
    /// A past sale of what is in stock.
    InStock {
        /// Which.
        title: String,
        /// Its sku.
        sku: String,
    },
    /// The status needs no person.
    StatusKnown {
        /// The order.
        number: OrderNumber,
        /// What it is.
        status: OrderStatus,
    },
    /// Not a status that is known.
    UnknownStatus,
    /// The order is another channel's.
    OfAnotherChannel {
        /// The order.
        number: OrderNumber,
        /// The other channel.
        channel: Channel,
    },
    /// The order is not paid.
    NotPaid {
        /// The order.
        number: OrderNumber,
    },
    /// The order is over.
    Closed {
        /// The order.
        number: OrderNumber,
    },
    /// The line has stock by now, or needs none.
    LineSettled {
        /// Which.
        title: String,
        /// How the line stands.
        state: String,
    },
    /// Somebody chose for the line.
    LineDecided {
        /// Which.
        title: String,
        /// What was chosen.
        choice: String,
        /// Who chose; empty if the program did.
        who: String,
    },
    /// The substitute is what was ordered.
    NotASubstitute {
        /// Which.
        title: String,
    },
    /// The substitute is measured in another unit.
    OtherUnit {
        /// The substitute.
        title: String,
        /// What was ordered.
        ordered: String,
    },
    /// The line holds stock of its own.
    LineHolds,
    /// Discount, shipping or fee below nothing.
    NegativeMoney,
    /// A price below nothing.
    NegativePrice,
    /// Money of another currency than the shop's.
    OtherCurrency {
        /// The shop's.
        own: Currency,
    },
    /// An order without lines.
    NoLines,
    /// A refund of an order that never came.
    UnknownOrder {
        /// The order.
        number: OrderNumber,
    },
    /// A line without a code.
    NoCode,
}
