//! What is wrong with layouts, connections and what is exchanged with an online shop.

use domain::channel::Channel;
use serde::{Deserialize, Serialize};

/// Why a value is refused that has to do with online shops.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnlineReason {
    /// More layouts than a shop keeps.
    TooManyLayouts {
        /// The most.
        limit: i64,
    },
    /// An order's text that is too long to be kept.
    OrderTooLong {
        /// The order.
        number: String,
        /// In bytes.
        limit: usize,
    },
    /// More orders wait than a connection keeps.
    TooManyDeferred {
        /// The most.
        limit: i64,
    },
    /// More than one command takes.
    TooManyAtOnce {
        /// The most.
        limit: usize,
    },
    /// Orders changed in the future.
    SinceInFuture,
    /// Not a connection's name.
    ConnectionName {
        /// In characters.
        limit: usize,
    },
    /// The name of the files' connection.
    ReservedName {
        /// The name.
        name: String,
    },
    /// A connection's text that is too long.
    TextTooLarge {
        /// In bytes.
        limit: usize,
    },
    /// Another connection imports the channel's orders.
    OrdersTaken {
        /// The other connection.
        connection: String,
        /// Whose orders.
        channel: Channel,
    },
    /// More connections than a shop has.
    TooManyConnections {
        /// The most.
        limit: i64,
    },
    /// The connection's text names no orders.
    NoOrders {
        /// Which connection.
        connection: String,
    },
    /// A difference about an item that is unknown here.
    NoItemHere {
        /// The online shop's sku.
        sku: String,
    },
    /// Not an ID of an online shop.
    NotAnId {
        /// In characters.
        limit: usize,
    },
    /// An ID that means another folder in an address.
    IdNotInAddress {
        /// The ID.
        id: String,
    },
    /// Another item has the ID.
    IdTaken {
        /// The ID.
        id: String,
        /// Whose it is.
        sku: String,
    },
}
