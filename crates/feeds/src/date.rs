//! Dates in the format of a layout.

use domain::day::{DayError, Moment, Zone, is_offset};
use domain::money::plain_decimal;
use jiff::Timestamp;
use jiff::fmt::strtime::{self, BrokenDownTime};
use jiff::tz::TimeZone;
use rust_decimal::prelude::ToPrimitive;

/// In place of a pattern: seconds since 1970 in UTC.
pub(crate) const SECONDS: &str = "seconds";
pub(crate) const MILLISECONDS: &str = "milliseconds";

/// Why a date cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DateError {
    /// It does not match the layout's pattern.
    #[error("this is not a date as the layout's date = \"{pattern}\" says; correct the date or the layout")]
    NotByPattern {
        /// The layout's pattern.
        pattern: String,
    },
    /// It does not exist, or is not a date.
    #[error(transparent)]
    Day(#[from] DayError),
}

/// The longest pattern. The longest date in words takes a third of it.
const MAX_PATTERN_BYTES: usize = 100;

/// What to write instead if a pattern cannot be used; none if it can.
pub(crate) fn fault(pattern: &str) -> Option<&'static str> {
    if matches!(pattern, SECONDS | MILLISECONDS) {
        return None;
    }
    let used = directives(pattern);
    let has = |any: &[u8]| used.iter().any(|d| any.contains(d));
    if has(b"Il") && !has(b"pP") {
        return Some("%p (AM or PM) beside %I, or %H for the 24-hour clock: 2 o'clock alone may be 14:00");
    }
    if has(b"MS") && !has(b"HkIlTRs") {
        return Some("%H too: minutes without their hour say no time");
    }
    let is_read = pattern.len() <= MAX_PATTERN_BYTES && is_pattern(pattern);
    (!is_read).then_some("a pattern that says year, month and day, such as %d/%m/%Y")
}

/// The letters after the percent signs, whatever flags, widths and colons are in between.
fn directives(pattern: &str) -> Vec<u8> {
    let mut bytes = pattern.bytes();
    let mut found = Vec::new();
    while bytes.any(|b| b == b'%') {
        found.extend(bytes.by_ref().find(|b| b.is_ascii_alphabetic() || *b == b'%'));
    }
    found
}

/// Whether a pattern has only directives that can be read.
fn is_pattern(pattern: &str) -> bool {
    // A Sunday afternoon in May 2026: any would do.
    let sample = Timestamp::from_second(1_779_026_700).unwrap_or_default();
    let zoned = sample.to_zoned_datetime(TimeZone::UTC);
    let Ok(written) = strtime::format(pattern, &zoned) else { return false };
    BrokenDownTime::parse(pattern, &written).is_ok_and(|t| t.to_date().is_ok() || t.timestamp().is_some())
}

/// Reads a date by the pattern if there is one, otherwise RFC 3339 or a local time. A date alone means
/// noon, and a pattern with an offset needs no zone.
pub(crate) fn read(text: &str, pattern: Option<&str>, zone: &Zone) -> Result<Moment, DateError> {
    let Some(pattern) = pattern else { return Ok(zone.read(text)?) };
    let wrong = || DateError::NotByPattern { pattern: pattern.to_owned() };
    if let Some(parts) = [(SECONDS, 1000), (MILLISECONDS, 1)].into_iter().find(|(word, _)| *word == pattern) {
        let millis = plain_decimal(text).and_then(|count| count.checked_mul(parts.1.into()));
        let stamp = millis.and_then(|m| m.trunc().to_i64()).and_then(|m| Timestamp::from_millisecond(m).ok());
        return stamp.map(|stamp| Moment::from_millis(stamp.as_millisecond())).ok_or_else(wrong);
    }
    let told = BrokenDownTime::parse(pattern, text).map_err(|_| wrong())?;
    if told.offset().is_some_and(|offset| !is_offset(offset.seconds())) {
        return Err(DayError::Offset { text: text.chars().take(40).collect() }.into());
    }
    if told.timestamp().is_some() || (told.offset().is_some() && told.hour().is_some()) {
        let stamp = told.to_timestamp().map_err(|_| wrong())?;
        return Ok(Moment::from_millis(stamp.as_millisecond()));
    }
    if told.hour().is_none() {
        return Ok(zone.noon_of(told.to_date().map_err(|_| wrong())?)?);
    }
    Ok(zone.moment_of(told.to_datetime().map_err(|_| wrong())?)?)
}
