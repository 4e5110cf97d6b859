//! Medians and percentiles.

use std::time::Duration;

/// The middle value; of an even number, the lower of the two in the middle.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len().saturating_sub(1) / 2).copied().unwrap_or(f64::NAN)
}

/// Times in ascending order.
pub(crate) struct Times(Vec<Duration>);

impl Times {
    pub(crate) fn of(times: impl IntoIterator<Item = Duration>) -> Self {
        let mut times: Vec<Duration> = times.into_iter().collect();
        times.sort_unstable();
        Self(times)
    }

    pub(crate) fn len(&self) -> usize {
        self.0.len()
    }

    /// The least time that at least `percent` of a hundred do not exceed (nearest rank).
    pub(crate) fn percentile(&self, percent: usize) -> Duration {
        let rank = (self.0.len() * percent).div_ceil(100).max(1);
        self.0.get(rank - 1).copied().unwrap_or_default()
    }

    pub(crate) fn median(&self) -> Duration {
        self.percentile(50)
    }

    pub(crate) fn longest(&self) -> Duration {
        self.percentile(100)
    }
}

/// Milliseconds, for people.
pub(crate) fn ms(time: Duration) -> String {
    let ms = time.as_secs_f64() * 1000.0;
    if ms < 100.0 { format!("{ms:.2} ms") } else { format!("{ms:.0} ms") }
}

pub(crate) fn seconds(seconds: f64) -> String {
    if seconds < 1.0 { format!("{:.0} ms", seconds * 1000.0) } else { format!("{seconds:.2} s") }
}

pub(crate) fn rate(count: usize, time: Duration) -> f64 {
    u32::try_from(count).map_or(f64::NAN, f64::from) / time.as_secs_f64()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_are_by_nearest_rank() {
        let check = |count: u64, percent: usize, expected: u64| {
            let times = Times::of((1..=count).rev().map(Duration::from_millis));
            assert_eq!(times.percentile(percent), Duration::from_millis(expected), "{count} {percent}");
        };
        check(100, 50, 50);
        check(100, 99, 99);
        check(5, 50, 3);
        check(5, 99, 5);
        check(1, 1, 1);
        assert_eq!(Times::of([]).percentile(99), Duration::ZERO);
    }

    #[test]
    fn a_median_is_a_value_that_was_measured() {
        let check = |values: &[f64], expected: f64| assert_eq!(median(values).to_bits(), expected.to_bits());
        check(&[3.0, 1.0, 2.0], 2.0);
        check(&[4.0, 1.0, 2.0, 3.0], 2.0);
    }
}
