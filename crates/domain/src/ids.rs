//! Identifiers: 64-bit, ordered by time, made by the program, with one type per table.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Milliseconds from 1970 to the start of the identifiers' clock, 2020-01-01T00:00Z. A database's
/// BIGINT has 63 bits that are never negative: 10 go to the node and 12 to the counter, and the
/// remaining 41 bits of milliseconds last until 2089.
pub const EPOCH_MS: i64 = 1_577_836_800_000;
/// A clock that is later than this is ignored: a machine set to the wrong year must not use up the
/// numbers. It is 2^36 ms (two years) before the 41 bits end, so that there are numbers left to
/// count on with.
pub const LATEST_MS: i64 = EPOCH_MS + (1 << 41) - (1 << 36);
/// Bits for the node: 1024 processes may lease a number at once. A shop runs a handful, and a
/// number that a crashed process held comes free only when its lease ends.
pub const NODE_BITS: u32 = 10;
/// Bits for the counter within a millisecond: 4096 identifiers, far more than a database writes in
/// that time. One more takes the next millisecond.
pub const COUNTER_BITS: u32 = 12;

/// The first identifier that can be made at `ms`, in milliseconds since 1970: every earlier one is
/// smaller.
pub fn bound_of(ms: i64) -> i64 {
    (ms.clamp(EPOCH_MS, LATEST_MS) - EPOCH_MS) << (NODE_BITS + COUNTER_BITS)
}

/// Makes the identifiers of one process. It has no clock: the time is passed in, and a time before the
/// last one is ignored.
#[derive(Debug)]
pub struct IdMaker {
    node: i64,
    last_ms: i64,
    counter: i64,
}

impl IdMaker {
    /// For the leased `node`; never makes an identifier for a time up to `floor_ms`.
    pub fn new(node: u16, floor_ms: i64) -> Self {
        let counter = 1 << COUNTER_BITS;
        Self {
            node: i64::from(node) & ((1 << NODE_BITS) - 1),
            last_ms: floor_ms.clamp(EPOCH_MS, LATEST_MS),
            counter,
        }
    }

    /// Makes only identifiers larger than `id` from now on. Another process made it, whose clock may be ahead.
    pub fn after(&mut self, id: i64) {
        let ms = (id >> (NODE_BITS + COUNTER_BITS)) + EPOCH_MS;
        if (self.last_ms..=LATEST_MS).contains(&ms) {
            self.last_ms = ms;
            self.counter = 1 << COUNTER_BITS;
        }
    }

    /// The next identifier, given the current time.
    pub fn next(&mut self, now_ms: i64) -> i64 {
        if now_ms > self.last_ms && now_ms <= LATEST_MS {
            self.last_ms = now_ms;
            self.counter = 0;
        } else if self.counter >= (1 << COUNTER_BITS) {
            self.last_ms += 1;
            self.counter = 0;
        }
        let id = ((self.last_ms - EPOCH_MS) << (NODE_BITS + COUNTER_BITS))
            | (self.node << COUNTER_BITS)
            | self.counter;
        self.counter += 1;
        id
    }
}

/// The text is not an identifier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[error("“{text}” is not an identifier; copy it as the program printed it")]
pub struct NotAnId {
    text: String,
}

/// The digits of the largest identifier, 2^63 - 1: zeros before a number name it a second time.
const MAX_DIGITS: usize = 19;

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(i64);

        impl $name {
            /// From the database or an [`IdMaker`].
            pub const fn from_raw(raw: i64) -> Self {
                Self(raw)
            }

            /// For the database.
            pub const fn raw(self) -> i64 {
                self.0
            }

            /// Milliseconds since 1970, by the clock of the process that made it.
            pub const fn made_ms(self) -> i64 {
                (self.0 >> (NODE_BITS + COUNTER_BITS)) + EPOCH_MS
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)
            }
        }

        impl FromStr for $name {
            type Err = NotAnId;
            fn from_str(text: &str) -> Result<Self, NotAnId> {
                let wrong = || NotAnId { text: text.chars().take(40).collect() };
                if text.len() > MAX_DIGITS || !text.bytes().all(|b| b.is_ascii_digit()) {
                    return Err(wrong());
                }
                text.parse().map(Self).map_err(|_| wrong())
            }
        }

        impl Serialize for $name {
            /// As text: a JSON reader that uses floats would damage a 64-bit number.
            fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                String::deserialize(d)?.parse().map_err(serde::de::Error::custom)
            }
        }
    )+};
}

ids! {
    /// A gift certificate or a deposit.
    AccountId,
    /// A custom order.
    CustomOrderId,
    /// A style.
    StyleId,
    /// An item.
    ItemId,
    /// One entry of the stock ledger.
    EntryId,
    /// A hold on one item.
    HoldId,
    /// The holds that were made together, for one sale or one customer.
    HoldGroupId,
    /// A sale.
    SaleId,
    /// A line of a sale.
    SaleLineId,
    /// A payment of a sale or a refund.
    TenderId,
    /// A refund.
    RefundId,
    /// A line of a refund.
    RefundLineId,
    /// An online order.
    OrderId,
    /// A line of an order.
    OrderLineId,
    /// A connection to an online shop.
    ConnectionId,
    /// One run of a feed.
    RunId,
    /// A customer, or a name that was typed for one: a row of personal data.
    CustomerId,
    /// A person who can sign in.
    PersonId,
    /// A registered device, on which PINs work.
    DeviceId,
    /// One sign-in in one browser.
    SessionId,
    /// An entry of the activity log.
    ActivityId,
    /// What one person lets another do once, above their limits.
    ApprovalId,
    /// A count of all stock, or of one style.
    StockCountId,
    /// A sale that is being rung up.
    BasketId,
    /// A period of the cash drawer, from opening to closing count.
    TurnId,
    /// A failure of a feed.
    TroubleId,
    /// An order that could not be taken in yet.
    DeferredOrderId,
    /// A difference between our stock and an online shop's list.
    DifferenceId,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_holds_time_node_and_counter() {
        let mut maker = IdMaker::new(5, 0);
        let first = maker.next(EPOCH_MS + 7);
        assert_eq!(first, (7 << 22) | (5 << 12));
        assert_eq!(maker.next(EPOCH_MS + 7), first + 1);
        assert_eq!(maker.next(EPOCH_MS + 3), first + 2, "a clock put back is not followed");
        assert_eq!(maker.next(i64::MAX), first + 3, "a clock beyond belief is not followed");
    }

    #[test]
    fn the_4097th_of_a_millisecond_takes_the_next_one() {
        let mut maker = IdMaker::new(0, 0);
        let ids: Vec<i64> = (0..4097).map(|_| maker.next(EPOCH_MS + 1)).collect();
        assert_eq!((ids[4095] >> 22, ids[4096] >> 22), (1, 2));
    }

    #[test]
    fn the_bound_of_a_moment_stands_between_what_was_made_before_and_after() {
        let (before, then) = (EPOCH_MS + 6, EPOCH_MS + 7);
        let mut maker = IdMaker::new(1023, 0);
        let made: Vec<i64> = (0..4096).map(|_| maker.next(before)).collect();
        assert!(made[4095] < bound_of(then) && bound_of(then) <= IdMaker::new(0, 0).next(then));
        assert_eq!((bound_of(0), bound_of(EPOCH_MS)), (0, 0));
    }

    #[test]
    fn none_is_made_at_or_before_the_floor() {
        let floor = EPOCH_MS + 1000;
        let mut maker = IdMaker::new(1023, floor);
        assert_eq!(maker.next(floor - 500) >> 22, 1001);
    }

    #[test]
    fn an_id_is_text_outside() {
        let check = |text: &str, expected: Option<i64>| {
            assert_eq!(text.parse::<ItemId>().ok().map(ItemId::raw), expected, "{text:?}");
        };
        check("7340033", Some(7_340_033));
        check("9223372036854775807", Some(i64::MAX));
        check("9223372036854775808", None);
        check("", None);
        check("-1", None);
        check("+1", None);
        check(" 1", None);
        check("1e3", None);
        assert_eq!(ItemId::from_raw(42).to_string(), "42");
    }
}
