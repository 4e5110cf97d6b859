//! The shop's clock, which is passed in, and moments as text.

use jiff::Timestamp;
use std::fmt;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

/// Returns the time in milliseconds since 1970.
#[derive(Clone)]
pub struct Now(Arc<dyn Fn() -> i64 + Send + Sync>);

impl Now {
    pub fn by(clock: impl Fn() -> i64 + Send + Sync + 'static) -> Self {
        Self(Arc::new(clock))
    }

    pub(crate) fn millis(&self) -> i64 {
        (self.0)()
    }
}

impl fmt::Debug for Now {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Now({})", self.millis())
    }
}

pub fn machine_clock() -> Now {
    Now::by(|| {
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
    })
}

/// RFC 3339 in UTC, in milliseconds.
pub(crate) fn text(millis: i64) -> String {
    let at = Timestamp::from_millisecond(millis).unwrap_or(Timestamp::UNIX_EPOCH);
    format!("{at:.3}")
}

/// The form in HTTP (RFC 9110, 5.6.7).
pub fn http_date(millis: i64) -> String {
    let at = Timestamp::from_millisecond(millis).unwrap_or(Timestamp::UNIX_EPOCH);
    at.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string()
}

/// Reads RFC 3339.
pub(crate) fn parse(text: &str) -> Option<i64> {
    text.parse::<Timestamp>().ok().map(Timestamp::as_millisecond)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_read_as_it_was_written() {
        let check = |millis: i64, expected: &str| {
            assert_eq!(text(millis), expected);
            assert_eq!(parse(expected), Some(millis));
        };
        // RFC 9110, 5.6.7.
        assert_eq!(http_date(784_111_777_000), "Sun, 06 Nov 1994 08:49:37 GMT");
        // The moments of RFC 3339, section 5.8, in UTC and to the millisecond.
        check(482_196_050_520, "1985-04-12T23:20:50.520Z");
        check(851_042_397_000, "1996-12-20T00:39:57.000Z");
        assert_eq!(parse("1996-12-19T16:39:57-08:00"), Some(851_042_397_000));
        assert_eq!(parse("yesterday"), None);
    }
}
