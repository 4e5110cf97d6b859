//! What is wrong with a customer.

use domain::money::Money;
use serde::{Deserialize, Serialize};

/// Why a value is refused that has to do with customers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CustomersReason {
    /// Erased, or never there.
    NotThere,
    /// Another customer has the e-mail address.
    EmailTaken {
        /// Whose it is.
        name: String,
    },
    /// Too many words in a search.
    TooManyWords {
        /// The most.
        limit: usize,
    },
    /// They owe money.
    OwesMoney {
        /// How much.
        owed: Money,
    },
    /// Goods are on hold for them.
    HasHolds,
    /// A custom order of theirs is not finished.
    HasCustomOrder,
    /// Something of their deposits is left.
    HasDeposit {
        /// How much.
        left: Money,
    },
    /// Something of their order waits for a person, and money of it may have to be returned.
    OrderWaits {
        /// The order's number.
        number: String,
    },
    /// Days out of range in the setting that blanks orders.
    NotOrderDays {
        /// The fewest.
        least: i64,
        /// The most.
        most: i64,
    },
}
