//! Days and months of the calendar, and their neighbors.

use crate::day::{Day, Month};
use jiff::civil::Date;
use jiff::{Span, ToSpan};

/// The date of a day; the calendar's first date if the number is not a date.
pub(crate) fn date_of(day: Day) -> Date {
    let part = |by: i64, of: i64| i8::try_from(day.number() / by % of).unwrap_or(0);
    let year = i16::try_from(day.number() / 10_000).unwrap_or(0);
    Date::new(year, part(100, 100), part(1, 100)).unwrap_or_default()
}

fn day_of(date: Date) -> Day {
    Day::from_number(i64::from(date.year()) * 10_000 + i64::from(date.month()) * 100 + i64::from(date.day()))
}

fn moved(day: Day, by: Span) -> Day {
    day_of(date_of(day).saturating_add(by))
}

impl Day {
    /// This many days later, or earlier if below 0.
    #[must_use]
    pub fn plus_days(self, days: i32) -> Self {
        moved(self, days.days())
    }
}

impl Month {
    /// The month with this number, 1 to 12, of a year.
    pub fn of_year(year: i64, number: i64) -> Option<Self> {
        ((1..=9999).contains(&year) && (1..=12).contains(&number))
            .then(|| Self::from_number(year * 100 + number))
    }

    /// The year, such as 2026.
    pub const fn year(self) -> i64 {
        self.number() / 100
    }

    /// The first day of the month.
    pub const fn first_day(self) -> Day {
        Day::from_number(self.number() * 100 + 1)
    }

    /// The following month.
    #[must_use]
    pub fn next(self) -> Self {
        moved(self.first_day(), 1.months()).month()
    }

    /// The preceding month.
    #[must_use]
    pub fn previous(self) -> Self {
        moved(self.first_day(), (-1).months()).month()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        Day::parse(text).unwrap()
    }

    // Weekdays and leap days of the Gregorian calendar (ISO 8601): 2026-05-17 is a Sunday, 2000 was
    // a leap year, 2100 is not.
    #[test]
    fn days_follow_each_other() {
        let check = |from: &str, by: i32, expected: &str, words: &str| {
            let moved = day(from).plus_days(by);
            assert_eq!(
                (moved.to_string().as_str(), moved.shown_with_weekday().as_str()),
                (expected, words),
                "{from} {by}"
            );
        };
        check("2026-05-17", 0, "2026-05-17", "Sunday, May 17, 2026");
        check("2026-05-17", -7, "2026-05-10", "Sunday, May 10, 2026");
        check("2025-12-31", 1, "2026-01-01", "Thursday, Jan 1, 2026");
        check("2000-02-28", 1, "2000-02-29", "Tuesday, Feb 29, 2000");
        check("2100-02-28", 1, "2100-03-01", "Monday, Mar 1, 2100");
        assert_eq!(day("2026-05-17").weekday(), "Sunday");
    }

    #[test]
    fn months_follow_each_other() {
        let check = |text: &str, before: &str, after: &str, words: &str| {
            let month = Month::parse(text).unwrap();
            let found = (month.previous().to_string(), month.next().to_string(), month.shown());
            assert_eq!(found, (before.to_owned(), after.to_owned(), words.to_owned()));
        };
        check("2026-05", "2026-04", "2026-06", "May 2026");
        check("2026-01", "2025-12", "2026-02", "January 2026");
        check("2025-12", "2025-11", "2026-01", "December 2025");
        assert_eq!(Month::of_year(2026, 5), Month::parse("2026-05").ok());
        for (year, number) in [(2026, 0), (2026, 13), (0, 1), (10_000, 1)] {
            assert_eq!(Month::of_year(year, number), None, "{year} {number}");
        }
        let may = Month::parse("2026-05").unwrap();
        assert_eq!((may.year(), may.first_day(), may.name().as_str()), (2026, day("2026-05-01"), "May"));
    }
}
