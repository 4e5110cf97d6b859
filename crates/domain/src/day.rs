//! Days and moments in the shop's time zone. The zone rules are built in and do not come from the
//! machine.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time};
use jiff::fmt::temporal::Pieces;
use jiff::tz::{AmbiguousOffset, TimeZone, TimeZoneDatabase};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// How far in the future a sale or order may be dated: the next day may have begun in another zone.
pub const MAX_AHEAD_MS: i64 = 24 * 60 * 60 * 1000;
/// The earliest moment that is accepted: 1970-01-01.
pub const EARLIEST_MS: i64 = 0;

/// What is wrong with a date, a time or a zone.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DayError {
    /// Not a name in the IANA list.
    #[error(
        "“{name}” is not a time zone; use a name such as America/New_York, or a large city such as Denver"
    )]
    UnknownZone {
        /// The name as given.
        name: String,
    },
    /// Not a date or time.
    #[error("“{text}” is not a date or time; write 2026-05-17 or 2026-05-17T14:05:00Z")]
    NotADate {
        /// The text as given, cut short.
        text: String,
    },
    /// An offset from UTC that no place on earth has.
    #[error("“{text}” has an offset from UTC beyond 14 hours, which no place has; correct the offset")]
    Offset {
        /// The text as given.
        text: String,
    },
    /// The clocks skipped this local time.
    #[error("{local} does not exist in {zone}: the clocks went forward over it")]
    InGap {
        /// The local time.
        local: String,
        /// The zone's IANA name.
        zone: String,
    },
    /// More than a day in the future.
    #[error("{when} is more than a day ahead of now; check the year and the layout's date")]
    TooFarAhead {
        /// The moment, in RFC 3339.
        when: Moment,
    },
    /// Before 1970.
    #[error("{when} is before 1970; check the year and the layout's date")]
    TooEarly {
        /// The moment, in RFC 3339.
        when: Moment,
    },
}

/// A moment, in milliseconds since 1970 (UTC).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(i64);

impl Moment {
    /// From milliseconds since 1970 (UTC).
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds since 1970 (UTC).
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// This many milliseconds later.
    #[must_use]
    pub fn plus_millis(self, millis: i64) -> Self {
        Self(self.0.saturating_add(millis))
    }

    /// Reads RFC 3339, with any offset.
    pub fn parse_rfc3339(text: &str) -> Result<Self, DayError> {
        let stamp = Timestamp::from_str(text)
            .map_err(|_| DayError::NotADate { text: text.chars().take(40).collect() })?;
        let offset = Pieces::parse(text).ok().and_then(|pieces| pieces.to_numeric_offset());
        if !offset.is_none_or(|offset| is_offset(offset.seconds())) {
            return Err(DayError::Offset { text: text.chars().take(40).collect() });
        }
        Ok(Self(stamp.as_millisecond()))
    }

    /// Rejects a moment that cannot be that of a sale, seen from `now`.
    pub fn believable(self, now: Self) -> Result<Self, DayError> {
        if self.0 > now.0.saturating_add(MAX_AHEAD_MS) {
            return Err(DayError::TooFarAhead { when: self });
        }
        if self.0 < EARLIEST_MS {
            return Err(DayError::TooEarly { when: self });
        }
        Ok(self)
    }
}

impl fmt::Display for Moment {
    /// RFC 3339 in UTC, in whole seconds.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match Timestamp::from_millisecond(self.0) {
            Ok(stamp) => write!(f, "{}", stamp.strftime("%Y-%m-%dT%H:%M:%SZ")),
            Err(_) => write!(f, "{} ms", self.0),
        }
    }
}

/// Whether an offset from UTC, in seconds, can exist: XML Schema 1.1 part 2, 3.3.7, limits it to 14
/// hours, which is also the most in today's IANA time zone database (UTC+14, the Line Islands).
pub fn is_offset(seconds: i32) -> bool {
    seconds.abs() <= 14 * 3600
}

/// A calendar day in the shop's time zone, stored as the number YYYYMMDD.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Day(i64);

impl Day {
    /// From the number YYYYMMDD, as stored in the database.
    pub const fn from_number(number: i64) -> Self {
        Self(number)
    }

    /// The number YYYYMMDD.
    pub const fn number(self) -> i64 {
        self.0
    }

    /// The month that the day is in.
    pub const fn month(self) -> Month {
        Month(self.0 / 100)
    }

    /// Reads `YYYY-MM-DD`.
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

/// A month in the shop's time zone, stored as the number YYYYMM.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Month(i64);

impl Month {
    /// From the number YYYYMM, as stored in the database.
    pub const fn from_number(number: i64) -> Self {
        Self(number)
    }

    /// The number YYYYMM.
    pub const fn number(self) -> i64 {
        self.0
    }

    /// Reads `YYYY-MM`.
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

/// An IANA time zone with the built-in rules.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Zone {
    name: String,
    rules: TimeZone,
}

impl TryFrom<String> for Zone {
    type Error = DayError;
    fn try_from(name: String) -> Result<Self, DayError> {
        Self::from_name(&name)
    }
}

impl From<Zone> for String {
    fn from(zone: Zone) -> Self {
        zone.name
    }
}

/// A moment of a shop, with the zone in which its people read the clock.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShopTime {
    /// When.
    pub at: Moment,
    /// The shop's zone.
    pub zone: Zone,
}

/// The city that an IANA zone is named for: `New York`.
pub fn city_of(zone: &str) -> String {
    zone.rsplit('/').next().unwrap_or(zone).replace('_', " ")
}

impl Zone {
    /// UTC, the zone of a new shop.
    pub fn utc() -> Self {
        Self { name: "UTC".to_owned(), rules: TimeZone::UTC }
    }

    /// The zone with this IANA name, or of this city if only one zone is named for it: `New York`.
    pub fn from_name(name: &str) -> Result<Self, DayError> {
        let name = name.trim();
        if name == "UTC" {
            return Ok(Self::utc());
        }
        let database = TimeZoneDatabase::bundled();
        if let Ok(rules) = database.get(name) {
            return Ok(Self { name: name.to_owned(), rules });
        }
        let unknown = || DayError::UnknownZone { name: name.chars().take(40).collect() };
        let of_city: Vec<String> =
            Self::names().into_iter().filter(|zone| city_of(zone).eq_ignore_ascii_case(name)).collect();
        let [zone] = of_city.as_slice() else { return Err(unknown()) };
        let rules = database.get(zone).map_err(|_| unknown())?;
        Ok(Self { name: zone.clone(), rules })
    }

    /// The IANA name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The day that a moment is in.
    pub fn day_of(&self, moment: Moment) -> Day {
        let stamp = Timestamp::from_millisecond(moment.0).unwrap_or_default();
        Day::of(self.rules.to_datetime(stamp).date())
    }

    /// A local date and time. A time that the clocks skipped is an error; of a time that comes twice,
    /// the earlier moment is taken.
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

    /// Noon, for a date without a time.
    pub fn noon_of(&self, date: Date) -> Result<Moment, DayError> {
        self.moment_of(date.to_datetime(Time::constant(12, 0, 0, 0)))
    }

    /// Reads RFC 3339, a local `YYYY-MM-DDTHH:MM[:SS]`, or `YYYY-MM-DD`.
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
        // jiff would also read 20260517, as midnight. Here a date without a time means noon, and
        // only YYYY-MM-DD is a date.
        let dated = text.get(..10).is_some_and(|date| Day::parse(date).is_ok());
        let timed = text.get(10..).is_some_and(|rest| rest.starts_with(['T', ' ']) && !rest.contains('['));
        if !dated || !timed {
            return Err(not_a_date());
        }
        self.moment_of(text.parse().map_err(|_| not_a_date())?)
    }

    /// The first moment of the next day, for “through the end of the day”.
    pub fn end_of_day(&self, moment: Moment) -> Moment {
        self.start_of(self.day_of(moment).plus_days(1))
    }

    /// The first moment of a day: midnight, or later if the clocks skip midnight.
    pub fn start_of(&self, day: Day) -> Moment {
        let midnight = crate::calendar::date_of(day).to_datetime(Time::midnight());
        let start = self.rules.to_ambiguous_timestamp(midnight).compatible();
        Moment(start.map_or(EARLIEST_MS, Timestamp::as_millisecond))
    }

    /// Formats a moment by a `strftime` pattern; none if the pattern has something that cannot be
    /// formatted.
    pub fn written(&self, moment: Moment, pattern: &str) -> Option<String> {
        let stamp = Timestamp::from_millisecond(moment.0).unwrap_or_default();
        jiff::fmt::strtime::format(pattern, &stamp.to_zoned_datetime(self.rules.clone())).ok()
    }

    /// Whether this local time comes twice because the clocks are set back.
    pub fn comes_twice(&self, moment: Moment) -> bool {
        let stamp = Timestamp::from_millisecond(moment.0).unwrap_or_default();
        let shown = self.rules.to_ambiguous_timestamp(self.rules.to_datetime(stamp));
        matches!(shown.offset(), AmbiguousOffset::Fold { .. })
    }

    /// Names of zones by place, such as `Europe/London`, sorted.
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
