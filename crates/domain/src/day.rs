//! Days and moments in the shop's zone. The zone's rules come with the program, not from the machine.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time};
use jiff::fmt::temporal::Pieces;
use jiff::tz::{AmbiguousOffset, TimeZone, TimeZoneDatabase};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// How far ahead of now a sale or order may be dated: another zone's day may have begun.
pub const MAX_AHEAD_MS: i64 = 24 * 60 * 60 * 1000;
/// The earliest moment that is believed: 1970-01-01.
pub const EARLIEST_MS: i64 = 0;

/// What is wrong with a date, a time or a zone.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DayError {
    /// Not a name of the IANA list.
    #[error("“{name}” is not a time zone; use a name such as America/New_York or Europe/London")]
    UnknownZone {
        /// What was given.
        name: String,
    },
    /// Does not read as a date.
    #[error("“{text}” is not a date or time; write 2026-05-17 or 2026-05-17T14:05:00Z")]
    NotADate {
        /// What was given.
        text: String,
    },
    /// An offset that no place on earth has.
    #[error("“{text}” has an offset from UTC beyond 14 hours, which no place has; correct the offset")]
    Offset {
        /// What was given.
        text: String,
    },
    /// Clocks were put forward over it.
    #[error("{local} does not exist in {zone}: the clocks went forward over it")]
    InGap {
        /// The local time.
        local: String,
        /// The zone.
        zone: String,
    },
    /// More than a day ahead.
    #[error("{when} is more than a day ahead of now; check the year and the layout's date")]
    TooFarAhead {
        /// The moment.
        when: String,
    },
    /// Before 1970.
    #[error("{when} is before 1970; check the year and the layout's date")]
    TooEarly {
        /// The moment.
        when: String,
    },
}

/// A moment in UTC milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(i64);

impl Moment {
    /// UTC milliseconds since 1970.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// UTC milliseconds since 1970.
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// So much later.
    #[must_use]
    pub fn plus_millis(self, millis: i64) -> Self {
        Self(self.0.saturating_add(millis))
    }

    /// RFC 3339 with its own offset.
    pub fn parse_rfc3339(text: &str) -> Result<Self, DayError> {
        let stamp = Timestamp::from_str(text)
            .map_err(|_| DayError::NotADate { text: text.chars().take(40).collect() })?;
        let offset = Pieces::parse(text).ok().and_then(|pieces| pieces.to_numeric_offset());
        if !offset.is_none_or(|offset| is_offset(offset.seconds())) {
            return Err(DayError::Offset { text: text.chars().take(40).collect() });
        }
        Ok(Self(stamp.as_millisecond()))
    }

    /// Refuses what cannot be the moment of a sale seen from `now`.
    pub fn believable(self, now: Self) -> Result<Self, DayError> {
        if self.0 > now.0.saturating_add(MAX_AHEAD_MS) {
            return Err(DayError::TooFarAhead { when: self.to_string() });
        }
        if self.0 < EARLIEST_MS {
            return Err(DayError::TooEarly { when: self.to_string() });
        }
        Ok(self)
    }
}

impl fmt::Display for Moment {
    /// RFC 3339 in UTC, to the second.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match Timestamp::from_millisecond(self.0) {
            Ok(stamp) => write!(f, "{}", stamp.strftime("%Y-%m-%dT%H:%M:%SZ")),
            Err(_) => write!(f, "{} ms", self.0),
        }
    }
}

/// Whether a place may have this offset from UTC, in seconds: XML Schema 1.1 part 2, 3.3.7, bounds it at 14
/// hours, which is what the IANA time zone database has at most today (UTC+14, the Line Islands).
pub fn is_offset(seconds: i32) -> bool {
    seconds.abs() <= 14 * 3600
}

/// A calendar day in the shop's zone, kept as the number YYYYMMDD.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Day(i64);

impl Day {
    /// From the number YYYYMMDD, as the database keeps it.
    pub const fn from_number(number: i64) -> Self {
        Self(number)
    }

    /// The number YYYYMMDD.
    pub const fn number(self) -> i64 {
        self.0
    }

    /// The number YYYYMM of its month.
    pub const fn month(self) -> Month {
        Month(self.0 / 100)
    }

    /// From `YYYY-MM-DD`.
    pub fn parse(text: &str) -> Result<Self, DayError> {
        let date = text
            .parse::<Date>()
            .ok()
            .filter(|_| text.len() == 10)
            .ok_or_else(|| DayError::NotADate { text: text.chars().take(40).collect() })?;
        Ok(Self::of(date))
    }

    fn of(date: Date) -> Self {
        Self(i64::from(date.year()) * 10_000 + i64::from(date.month()) * 100 + i64::from(date.day()))
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.0 / 10_000, self.0 / 100 % 100, self.0 % 100)
    }
}

/// A month in the shop's zone, kept as the number YYYYMM.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Month(i64);

impl Month {
    /// From the number YYYYMM.
    pub const fn from_number(number: i64) -> Self {
        Self(number)
    }

    /// The number YYYYMM.
    pub const fn number(self) -> i64 {
        self.0
    }

    /// From `YYYY-MM`.
    pub fn parse(text: &str) -> Result<Self, DayError> {
        let wrong = || DayError::NotADate { text: text.chars().take(40).collect() };
        if text.len() != 7 {
            return Err(wrong());
        }
        Day::parse(&format!("{text}-01")).map(Day::month).map_err(|_| wrong())
    }
}

impl fmt::Display for Month {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}", self.0 / 100, self.0 % 100)
    }
}

/// An IANA time zone, by the rules that are built in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Zone {
    name: String,
    rules: TimeZone,
}

impl Zone {
    /// Coordinated Universal Time: what a new shop starts with.
    pub fn utc() -> Self {
        Self { name: "UTC".to_owned(), rules: TimeZone::UTC }
    }

    /// By IANA name.
    pub fn from_name(name: &str) -> Result<Self, DayError> {
        if name == "UTC" {
            return Ok(Self::utc());
        }
        let rules = TimeZoneDatabase::bundled()
            .get(name)
            .map_err(|_| DayError::UnknownZone { name: name.chars().take(40).collect() })?;
        Ok(Self { name: name.to_owned(), rules })
    }

    /// The IANA name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The day that a moment falls on.
    pub fn day_of(&self, moment: Moment) -> Day {
        let stamp = Timestamp::from_millisecond(moment.0).unwrap_or_default();
        Day::of(self.rules.to_datetime(stamp).date())
    }

    /// A local date and time. In the gap of a clock change it is refused, in the fold the earlier
    /// of the two moments is taken.
    pub fn moment_of(&self, local: DateTime) -> Result<Moment, DayError> {
        let ambiguous = self.rules.to_ambiguous_timestamp(local);
        let offset = match ambiguous.offset() {
            AmbiguousOffset::Unambiguous { offset } => offset,
            AmbiguousOffset::Fold { before, .. } => before,
            AmbiguousOffset::Gap { .. } => {
                return Err(DayError::InGap { local: local.to_string(), zone: self.name.clone() });
            }
        };
        let stamp = offset.to_timestamp(local).map_err(|_| DayError::NotADate { text: local.to_string() })?;
        Ok(Moment(stamp.as_millisecond()))
    }

    /// A date alone means noon of it.
    pub fn noon_of(&self, date: Date) -> Result<Moment, DayError> {
        self.moment_of(date.to_datetime(Time::constant(12, 0, 0, 0)))
    }

    /// RFC 3339, or a local `YYYY-MM-DDTHH:MM[:SS]`, or `YYYY-MM-DD` alone.
    pub fn read(&self, text: &str) -> Result<Moment, DayError> {
        let text = text.trim();
        if let Ok(date) = Day::parse(text)
            .and_then(|_| text.parse::<Date>().map_err(|_| DayError::NotADate { text: text.to_owned() }))
        {
            return self.noon_of(date);
        }
        match Moment::parse_rfc3339(text) {
            Err(DayError::NotADate { .. }) => {}
            told => return told,
        }
        let not_a_date = || DayError::NotADate { text: text.chars().take(40).collect() };
        // jiff would read 20260517 too, as midnight; here a date without a time means noon, and
        // only as YYYY-MM-DD.
        let dated = text.get(..10).is_some_and(|date| Day::parse(date).is_ok());
        let timed = text.get(10..).is_some_and(|rest| rest.starts_with(['T', ' ']) && !rest.contains('['));
        if !dated || !timed {
            return Err(not_a_date());
        }
        self.moment_of(text.parse().map_err(|_| not_a_date())?)
    }

    /// The first moment of the day after, for “until the end of the day”.
    pub fn end_of_day(&self, moment: Moment) -> Moment {
        self.start_of(self.day_of(moment).plus_days(1))
    }

    /// The first moment of a day: midnight, or the end of the gap where the clocks went forward over it.
    pub fn start_of(&self, day: Day) -> Moment {
        let midnight = crate::calendar::date_of(day).to_datetime(Time::midnight());
        let start = self.rules.to_ambiguous_timestamp(midnight).compatible();
        Moment(start.map_or(EARLIEST_MS, Timestamp::as_millisecond))
    }

    /// A moment by a pattern of `strftime`; none if something in it cannot be written.
    pub fn written(&self, moment: Moment, pattern: &str) -> Option<String> {
        let stamp = Timestamp::from_millisecond(moment.0).unwrap_or_default();
        jiff::fmt::strtime::format(pattern, &stamp.to_zoned_datetime(self.rules.clone())).ok()
    }

    /// Whether the wall shows the time of this moment twice, since the clocks are put back.
    pub fn comes_twice(&self, moment: Moment) -> bool {
        let stamp = Timestamp::from_millisecond(moment.0).unwrap_or_default();
        let shown = self.rules.to_ambiguous_timestamp(self.rules.to_datetime(stamp));
        matches!(shown.offset(), AmbiguousOffset::Fold { .. })
    }

    /// The names of zones by place, such as `Europe/London`, sorted.
    pub fn names() -> Vec<String> {
        let areas = [
            "Africa",
            "America",
            "Antarctica",
            "Asia",
            "Atlantic",
            "Australia",
            "Europe",
            "Indian",
            "Pacific",
        ];
        let names = TimeZoneDatabase::bundled().available().map(|name| name.to_string()).collect::<Vec<_>>();
        let placed = |name: &String| areas.iter().any(|area| name.split('/').next() == Some(area));
        let mut names: Vec<String> = names.into_iter().filter(placed).collect();
        names.sort_unstable();
        names
    }
}
