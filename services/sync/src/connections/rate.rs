//! How often a shop gets requests: a token bucket that fills with the ledger's clock.

use domain::day::Moment;
use std::sync::{Mutex, PoisonError};

/// Milliseconds of a second, in which a rate is told.
const SECOND: i64 = 1000;

/// This many requests a second. A second's worth may go at once.
#[derive(Debug)]
pub(super) struct Rate {
    per_second: i64,
    state: Mutex<State>,
}

/// In thousandths of a request, so that every millisecond adds a whole number.
#[derive(Debug)]
struct State {
    left: i64,
    at: i64,
}

impl Rate {
    pub(super) fn new(per_second: u32, now: Moment) -> Self {
        let per_second = i64::from(per_second);
        Self { per_second, state: Mutex::new(State { left: per_second * SECOND, at: now.millis() }) }
    }

    /// Takes up to `wanted` requests; returns how many it got.
    pub(super) fn take(&self, wanted: usize, now: Moment) -> usize {
        let mut state = self.fill(now);
        let there = usize::try_from(state.left / SECOND).unwrap_or(0);
        let taken = there.min(wanted);
        state.left -= i64::try_from(taken).unwrap_or(0) * SECOND;
        taken
    }

    /// Takes one request that could not wait; those after it wait instead.
    pub(super) fn owe(&self) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        state.left -= SECOND;
    }

    /// Gives back requests that were not needed.
    pub(super) fn give_back(&self, unused: usize) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        state.left = (state.left + i64::try_from(unused).unwrap_or(0) * SECOND).min(self.per_second * SECOND);
    }

    /// When the next request may go; now if one may.
    pub(super) fn next(&self, now: Moment) -> Moment {
        let missing = SECOND - self.fill(now).left;
        if missing <= 0 {
            return now;
        }
        now.plus_millis((missing + self.per_second - 1) / self.per_second)
    }

    /// A clock that is set back adds nothing and removes nothing.
    fn fill(&self, now: Moment) -> std::sync::MutexGuard<'_, State> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let passed = now.millis().saturating_sub(state.at).clamp(0, SECOND);
        state.left = (state.left + passed * self.per_second).min(self.per_second * SECOND);
        state.at = now.millis();
        state
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> Moment {
        Moment::from_millis(ms)
    }

    #[test]
    fn no_more_than_the_rate_go() {
        let rate = Rate::new(5, at(0));
        let check = |ms: i64, wanted: usize, taken: usize, next: i64| {
            assert_eq!(rate.take(wanted, at(ms)), taken, "at {ms}");
            assert_eq!(rate.next(at(ms)), at(next), "at {ms}");
        };
        check(0, 3, 3, 0);
        check(0, 3, 2, 200);
        check(100, 1, 0, 200);
        check(200, 5, 1, 400);
        check(300, 5, 0, 400);
        // A clock that is set back, and one that jumps forward.
        check(100, 5, 0, 200);
        check(50_000, 9, 5, 50_200);
        check(0, 9, 0, 200);
    }

    #[test]
    fn over_a_minute_the_rate_is_kept() {
        let rate = Rate::new(7, at(0));
        let gone: usize = (0..60_000).map(|ms| rate.take(100, at(ms))).sum();
        assert!((7 * 60..=7 * 61).contains(&gone), "{gone}");
    }
}
