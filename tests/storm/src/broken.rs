//! What is broken on purpose, to see that a storm finds it.

/// A sender or a shop that is broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Broken {
    /// Nothing.
    No,
    /// The shop knows no revisions, and messages that nobody waits for any more reach it later.
    StaleOverwrites,
    /// The shop says that all is well and does nothing.
    SaysYesAndDoesNothing,
    /// The shop makes each listing twice.
    MakesTwice,
    /// Each order that comes by hook is booked under a second number too.
    OrdersTwice,
    /// Orders that were told by hook are called off at the house, and the shop never hears of it.
    OrdersLost,
}
