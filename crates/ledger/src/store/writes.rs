//! Whether the last write succeeded, for whoever asks if the shop can sell.

use domain::day::Moment;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};

/// The time between two writes that are only tried for an answer: anybody may ask.
const TRIED_EVERY_MS: i64 = 1000;

/// How this process's writes are doing.
#[derive(Debug, Default)]
pub(crate) struct Writes {
    stopped: AtomicBool,
    tried_ms: AtomicI64,
}

impl Writes {
    pub(crate) fn stopped(&self) {
        self.stopped.store(true, Ordering::Relaxed);
    }

    pub(crate) fn went_through(&self) {
        self.stopped.store(false, Ordering::Relaxed);
    }

    pub(crate) fn are_stopped(&self) -> bool {
        self.stopped.load(Ordering::Relaxed)
    }

    /// Whether another one may be tried now, by the caller. A clock that was set back delays nothing.
    pub(crate) fn may_try(&self, now: Moment) -> bool {
        let (now, before) = (now.millis(), self.tried_ms.load(Ordering::Relaxed));
        let is_soon = (before..before + TRIED_EVERY_MS).contains(&now);
        !is_soon && self.tried_ms.compare_exchange(before, now, Ordering::Relaxed, Ordering::Relaxed).is_ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_write_is_tried_once_a_second() {
        let writes = Writes::default();
        let check = |ms: i64, expected: bool| {
            assert_eq!(writes.may_try(Moment::from_millis(ms)), expected, "{ms}");
        };
        check(5_000, true);
        check(5_999, false);
        check(6_000, true);
        check(6_001, false);
        check(2_000, true);
        assert!(!writes.are_stopped());
    }
}
