//! When a connection is so late that a person should know.

use domain::day::Moment;
use ledger::online::ConnectionStatus;

/// A message that waits longer than the longest pause between two tries was not helped by waiting.
const LATE_MS: i64 = 15 * 60 * 1000;

/// Whether a change should have been sent long ago.
pub(crate) fn is_late(status: &ConnectionStatus, now: Moment) -> bool {
    status.oldest_unsent.is_some_and(|since| now.millis() - since.millis() > LATE_MS)
}
