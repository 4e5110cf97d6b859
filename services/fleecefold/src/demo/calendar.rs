//! Which days the demo covers: eighteen months that end the day before it is looked at.

use super::trouble::{DemoError, Doing};
use domain::day::Day;
use jiff::civil::{Date, date};
use jiff::{Span, ToSpan};

/// Months before the shop used this program, and months in which it does.
const PAPER_MONTHS: i32 = 12;
const LIVE_MONTHS: i32 = 6;
/// For which days a demo can be made; any would do that a shop could keep books for.
const FROM: Date = date(2000, 1, 1);
const UNTIL: Date = date(2100, 1, 1);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Calendar {
    /// The first day of the paper books.
    pub(super) first: Date,
    /// When the shop began to use this program.
    pub(super) opening: Date,
    pub(super) last: Date,
}

impl Calendar {
    /// The eighteen months before a day.
    pub(super) fn before(as_of: Day) -> Result<Self, DemoError> {
        let as_of: Date = as_of.to_string().parse().doing("turn a page of the calendar")?;
        if !(FROM..=UNTIL).contains(&as_of) {
            return Err(DemoError::Day { from: FROM, until: UNTIL });
        }
        let back = |months: i32| as_of.checked_sub(months.months()).doing("turn a page of the calendar");
        Ok(Self {
            first: back(PAPER_MONTHS + LIVE_MONTHS)?,
            opening: back(LIVE_MONTHS)?,
            last: as_of.yesterday().doing("turn a page of the calendar")?,
        })
    }

    /// How many of `all` are done by the evening of a day, if they are done evenly.
    pub(super) fn done_by(self, day: Date, all: usize) -> Result<usize, DemoError> {
        let days = |from: Date, to: Date| {
            let span: Span = from.until(to).doing("count days")?;
            usize::try_from(span.get_days()).doing("count days")
        };
        let (past, whole) = (days(self.opening, day)?, days(self.opening, self.last)?);
        Ok(all * past / whole.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::day::{Moment, Zone};

    fn day(date: Date) -> Day {
        Day::parse(&date.to_string()).unwrap()
    }

    #[test]
    fn eighteen_months_end_the_day_before() {
        let check = |as_of: Date, expected: (Date, Date, Date)| {
            let found = Calendar::before(day(as_of)).unwrap();
            assert_eq!((found.first, found.opening, found.last), expected, "{as_of}");
        };
        check(date(2025, 11, 1), (date(2024, 5, 1), date(2025, 5, 1), date(2025, 10, 31)));
        // Across the end of a year, and to the ends of shorter months.
        check(date(2026, 1, 1), (date(2024, 7, 1), date(2025, 7, 1), date(2025, 12, 31)));
        check(date(2026, 8, 31), (date(2025, 2, 28), date(2026, 2, 28), date(2026, 8, 30)));
        // In a leap year.
        check(date(2024, 2, 29), (date(2022, 8, 29), date(2023, 8, 29), date(2024, 2, 28)));
        check(date(2024, 3, 1), (date(2022, 9, 1), date(2023, 9, 1), date(2024, 2, 29)));
        check(date(2025, 8, 31), (date(2024, 2, 29), date(2025, 2, 28), date(2025, 8, 30)));
        for wrong in [date(1999, 12, 31), date(2100, 1, 2)] {
            assert!(matches!(Calendar::before(day(wrong)), Err(DemoError::Day { .. })), "{wrong}");
        }
    }

    #[test]
    fn all_is_done_by_the_last_evening_and_nothing_on_the_first_day() {
        let of = Calendar::before(day(date(2025, 11, 1))).unwrap();
        let check = |by: Date, expected: usize| assert_eq!(of.done_by(by, 120).unwrap(), expected, "{by}");
        check(date(2025, 5, 1), 0);
        check(date(2025, 7, 31), 59);
        check(date(2025, 10, 30), 119);
        check(date(2025, 10, 31), 120);
    }

    /// The last day is yesterday where the shop is, not where the machine is.
    #[test]
    fn yesterday_is_the_shops() {
        let check = |zone: &str, now: &str, expected: Date| {
            let now: jiff::Timestamp = now.parse().unwrap();
            let today = Zone::from_name(zone).unwrap().day_of(Moment::from_millis(now.as_millisecond()));
            assert_eq!(Calendar::before(today).unwrap().last, expected, "{zone} {now}");
        };
        check("America/New_York", "2026-01-01T04:59:59Z", date(2025, 12, 30));
        check("America/New_York", "2026-01-01T05:00:00Z", date(2025, 12, 31));
        // The hours in which clocks go forward, and back.
        check("America/New_York", "2026-03-08T07:00:00Z", date(2026, 3, 7));
        check("America/New_York", "2026-11-01T03:59:59Z", date(2026, 10, 30));
        check("America/New_York", "2026-11-01T04:00:00Z", date(2026, 10, 31));
        check("Pacific/Auckland", "2024-02-28T11:00:00Z", date(2024, 2, 28));
        check("Pacific/Auckland", "2024-02-29T11:00:00Z", date(2024, 2, 29));
    }
}
