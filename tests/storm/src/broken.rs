//! Faults on purpose, to see that a storm finds them.

/// A sender or a shop that is broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Broken {
    No,
    /// The shop ignores revisions, and messages that nobody waits for any more arrive later.
    StaleOverwrites,
    /// The shop reports success and does nothing.
    SaysYesAndDoesNothing,
    /// The shop creates each listing twice.
    MakesTwice,
    /// Each order that arrives by webhook is also booked under a second number.
    OrdersTwice,
    /// Orders that arrived by webhook are canceled in the house, and the shop is not told.
    OrdersLost,
}
