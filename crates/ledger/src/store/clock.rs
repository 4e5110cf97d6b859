//! The time, passed in from outside so that a test can set it.

use domain::day::Moment;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{SystemTime, UNIX_EPOCH};

/// A source of the current time.
pub trait Clock: Send + Sync + std::fmt::Debug {
    /// The current time.
    fn now(&self) -> Moment;
}

/// The machine's clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Moment {
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        Moment::from_millis(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
    }
}

/// A clock that stands still until it is set.
#[derive(Debug)]
pub struct ManualClock(AtomicI64);

impl ManualClock {
    /// A clock that shows `now`.
    pub fn at(now: Moment) -> Self {
        Self(AtomicI64::new(now.millis()))
    }

    /// Sets it, forward or backward.
    pub fn set(&self, now: Moment) {
        self.0.store(now.millis(), Ordering::SeqCst);
    }

    /// Moves it forward.
    pub fn advance_millis(&self, millis: i64) {
        self.0.fetch_add(millis, Ordering::SeqCst);
    }
}

impl Clock for ManualClock {
    fn now(&self) -> Moment {
        Moment::from_millis(self.0.load(Ordering::SeqCst))
    }
}
