//! When a connection is late enough for a person to be told.

use domain::day::Moment;
use ledger::online::ConnectionStatus;

/// What waits longer than the longest backing off between two tries was not helped by waiting.
const LATE_MS: i64 = 15 * 60 * 1000;

/// Whether a change waits that should have been told long ago.
pub(crate) fn is_late(status: &ConnectionStatus, now: Moment) -> bool {
    status.oldest_unsent.is_some_and(|since| now.millis() - since.millis() > LATE_MS)
}
