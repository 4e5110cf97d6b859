//! Lengths of time in a connection.

use std::fmt;
use std::time::Duration;

/// A length of time: whole seconds, minutes, hours or days.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span(Duration);

impl Span {
    pub(super) const fn seconds(seconds: u64) -> Self {
        Self(Duration::from_secs(seconds))
    }

    /// Reads `30s`, `10m`, `6h` or `2d`; none if it is anything else.
    pub(super) fn parse(text: &str) -> Option<Self> {
        let unit = text.chars().last()?;
        let seconds = match unit {
            's' => 1,
            'm' => 60,
            'h' => 60 * 60,
            'd' => 24 * 60 * 60,
            _ => return None,
        };
        let digits = &text[..text.len() - 1];
        if digits.is_empty() || digits.len() > 6 || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        Some(Self::seconds(digits.parse::<u64>().ok()? * seconds))
    }

    /// As a `Duration`.
    pub fn duration(self) -> Duration {
        self.0
    }

    /// In milliseconds.
    pub fn millis(self) -> i64 {
        i64::try_from(self.0.as_millis()).unwrap_or(i64::MAX)
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.0.as_secs();
        let units = [(24 * 60 * 60, "d"), (60 * 60, "h"), (60, "m")];
        match units.into_iter().find(|(unit, _)| seconds > 0 && seconds.is_multiple_of(*unit)) {
            Some((unit, code)) => write!(f, "{}{code}", seconds / unit),
            None => write!(f, "{seconds}s"),
        }
    }
}
