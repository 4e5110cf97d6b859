//! What is wrong with a setting, and with what every command may bring along.

use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::money::Currency;
use serde::{Deserialize, Serialize};

/// Why a value is refused that has to do with the shop as a whole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShopReason {
    /// An idempotency key that is empty, too long or not printable.
    IdempotencyKey {
        /// In characters.
        limit: usize,
    },
    /// The shop has no such channel.
    UnknownChannel {
        /// Which.
        channel: Channel,
    },
    /// A fee for a channel that the shop does not have.
    FeeWithoutChannel {
        /// Which.
        channel: Channel,
    },
    /// A fee would be in another currency than the shop.
    FeeInOldCurrency {
        /// Whose fee.
        channel: Channel,
        /// As its owner wrote it.
        fee: String,
        /// Of the fee.
        currency: Currency,
        /// What turns a fee off.
        no_fee: String,
    },
    /// Money of another currency than the shop's.
    OtherCurrency {
        /// Of the money.
        given: Currency,
        /// Of the shop.
        own: Currency,
    },
    /// Money below nothing.
    Negative,
    /// Not a payment method of a counter.
    UnknownTender {
        /// What was given.
        code: String,
        /// Those that there are.
        known: Vec<TenderKind>,
    },
    /// No payment method at all.
    NoTender {
        /// Those that there are.
        known: Vec<TenderKind>,
    },
    /// There is no such setting.
    UnknownSetting {
        /// Those that there are.
        known: Vec<String>,
    },
    /// The photographs' address is not one.
    NotAWebAddress,
    /// Not a rule of cash rounding.
    NotARounding,
    /// The currency cannot change any more.
    CurrencyInUse {
        /// The shop's.
        currency: Currency,
    },
    /// The shop was set up before.
    AlreadySetUp,
}
