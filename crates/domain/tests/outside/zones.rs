//! Days and clock changes: the IANA time zone database, release bundled with the program.
//!
//! The changes themselves (tzdb's northamerica, europe, southamerica and australasia files) are
//! quoted from memory; the bundled database is the second witness.

use domain::day::{Day, DayError, MAX_AHEAD_MS, Moment, Month, Zone};

fn zone(name: &str) -> Zone {
    Zone::from_name(name).unwrap()
}

fn at(utc: &str) -> Moment {
    Moment::parse_rfc3339(utc).unwrap()
}

#[test]
fn local_times() {
    let check = |name: &str, local: &str, utc: &str| {
        assert_eq!(zone(name).read(local), Ok(at(utc)), "{local} in {name}");
    };
    check("America/New_York", "2026-03-08T01:59:59", "2026-03-08T06:59:59Z");
    check("America/New_York", "2026-03-08T03:00", "2026-03-08T07:00:00Z");
    check("America/New_York", "2026-11-01T01:30", "2026-11-01T05:30:00Z"); // twice; the earlier
    check("America/New_York", "2026-11-01T02:00", "2026-11-01T07:00:00Z");
    check("America/New_York", "2026-07-04 14:05:09", "2026-07-04T18:05:09Z");
    check("Europe/London", "2026-10-25T01:30", "2026-10-25T00:30:00Z"); // twice; the earlier
    check("Europe/London", "2026-03-29T02:00", "2026-03-29T01:00:00Z");
    check("Europe/London", "2026-01-15T12:00", "2026-01-15T12:00:00Z");
    check("Europe/London", "2026-07-15T12:00", "2026-07-15T11:00:00Z");
    check("Asia/Kathmandu", "2026-01-01T00:00", "2025-12-31T18:15:00Z"); // 5:45 ahead
    check("Australia/Lord_Howe", "2026-04-05T01:45", "2026-04-04T14:45:00Z"); // half an hour, twice
    check("UTC", "2026-03-08T02:30", "2026-03-08T02:30:00Z");
    // Its own offset takes precedence over the shop's zone; a date alone means noon.
    check("America/New_York", "2026-05-17T14:05:00+02:00", "2026-05-17T12:05:00Z");
    check("America/New_York", "2026-05-17", "2026-05-17T16:00:00Z");
    check("America/New_York", " 2026-12-17 ", "2026-12-17T17:00:00Z");
    check("America/Sao_Paulo", "2018-11-04", "2018-11-04T14:00:00Z");
}

#[test]
fn times_that_never_were_are_refused() {
    let check = |name: &str, local: &str| {
        let refused = zone(name).read(local);
        assert!(matches!(refused, Err(DayError::InGap { .. })), "{local} in {name}: {refused:?}");
        assert!(refused.unwrap_err().to_string().contains("the clocks went forward over it"));
    };
    check("America/New_York", "2026-03-08T02:30");
    check("America/New_York", "2026-03-08T02:00:00");
    check("America/New_York", "2026-03-08T02:59:59");
    check("Europe/London", "2026-03-29T01:30");
    check("America/Sao_Paulo", "2018-11-04T00:30"); // its day began at one o'clock
    check("Pacific/Apia", "2011-12-30"); // Samoa left that whole day out
}

#[test]
fn the_day_of_a_moment() {
    let check = |name: &str, utc: &str, day: &str, month: &str| {
        let found = zone(name).day_of(at(utc));
        assert_eq!((found, found.month()), (Day::parse(day).unwrap(), Month::parse(month).unwrap()), "{utc}");
        assert_eq!((found.to_string(), found.month().to_string()), (day.to_owned(), month.to_owned()));
    };
    check("America/New_York", "2026-07-01T03:59:59Z", "2026-06-30", "2026-06");
    check("America/New_York", "2026-07-01T04:00:00Z", "2026-07-01", "2026-07");
    check("America/New_York", "2026-01-01T04:59:59Z", "2025-12-31", "2025-12");
    check("Europe/London", "2026-07-31T23:30:00Z", "2026-08-01", "2026-08");
    check("Europe/London", "2026-01-31T23:30:00Z", "2026-01-31", "2026-01");
    check("Pacific/Auckland", "2026-06-30T12:00:00Z", "2026-07-01", "2026-07");
    check("Pacific/Kiritimati", "2026-01-01T10:00:00Z", "2026-01-02", "2026-01"); // 14 hours ahead
    check("UTC", "2024-02-29T23:59:59Z", "2024-02-29", "2024-02");
}

#[test]
fn the_end_of_a_day() {
    let check = |name: &str, utc: &str, end: &str| {
        let zone = zone(name);
        let found = zone.end_of_day(at(utc));
        assert_eq!(found, at(end), "{utc} in {name}: {found}");
        let last = zone.day_of(found.plus_millis(-1));
        assert_eq!(last, zone.day_of(at(utc)), "the moment before is of the same day");
        assert!(zone.day_of(found) > last, "the end is of a later day");
    };
    check("UTC", "2026-05-17T00:00:00Z", "2026-05-18T00:00:00Z");
    check("America/New_York", "2026-05-17T03:59:59Z", "2026-05-17T04:00:00Z");
    check("America/New_York", "2026-03-08T12:00:00Z", "2026-03-09T04:00:00Z"); // 23 hours long
    check("America/New_York", "2026-11-01T12:00:00Z", "2026-11-02T05:00:00Z"); // 25 hours long
    check("America/Sao_Paulo", "2018-11-03T15:00:00Z", "2018-11-04T03:00:00Z"); // the next has no midnight
    check("America/Havana", "2026-10-31T15:00:00Z", "2026-11-01T04:00:00Z"); // the next has midnight twice
    check("Pacific/Apia", "2011-12-29T20:00:00Z", "2011-12-30T10:00:00Z"); // the next day was left out
}

/// The same days from their numbers; the moment before belongs to the day before.
#[test]
fn the_start_of_a_day() {
    let check = |name: &str, day: &str, start: &str| {
        let zone = zone(name);
        let day = Day::parse(day).unwrap();
        let found = zone.start_of(day);
        assert_eq!(found, at(start), "{day} in {name}: {found}");
        assert!(zone.day_of(found.plus_millis(-1)) < day, "{day} in {name}");
    };
    check("UTC", "2026-05-17", "2026-05-17T00:00:00Z");
    check("America/New_York", "2026-05-17", "2026-05-17T04:00:00Z");
    check("America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z"); // it has no midnight
    check("America/Havana", "2026-11-01", "2026-11-01T04:00:00Z"); // it has midnight twice
    check("Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z"); // the day before was left out
}

#[test]
fn zones_are_named_by_place() {
    let names = Zone::names();
    for name in ["America/New_York", "Europe/London", "Asia/Kolkata", "Pacific/Auckland"] {
        assert!(names.binary_search(&name.to_owned()).is_ok(), "{name}");
    }
    assert!(names.iter().all(|name| Zone::from_name(name).is_ok()), "each of them is a zone");
    assert!(names.iter().all(|name| !name.starts_with("Etc")), "a shop stands at a place");
}

#[test]
fn a_city_is_the_zone_that_is_named_for_it() {
    for (city, zone) in [
        ("Denver", "America/Denver"),
        ("new york", "America/New_York"),
        (" London ", "Europe/London"),
        ("Knox", "America/Indiana/Knox"),
    ] {
        assert_eq!(Zone::from_name(city).map(|found| found.name().to_owned()).as_deref(), Ok(zone), "{city}");
    }
}

#[test]
fn what_is_no_date_is_refused() {
    for text in [
        "",
        "yesterday",
        "17/05/2026",
        "2026-13-01",
        "2026-02-30",
        "2026-5-7",
        "20260517",
        "2026-05-17T25:00",
        "2026-05-17T14:05[UTC]",
    ] {
        let refused = Zone::utc().read(text);
        assert!(matches!(refused, Err(DayError::NotADate { .. })), "{text:?}: {refused:?}");
    }
    for text in ["2026", "2026-00", "2026-13", "2026-1", "2026-01-01", "202601", "January"] {
        assert!(Month::parse(text).is_err(), "{text:?}");
    }
    for name in ["", "Mars/Olympus", "EST5", "New Yorc", "Springfield", "Louisville"] {
        let refused = Zone::from_name(name).unwrap_err().to_string();
        assert!(refused.contains("is not a time zone"), "{name:?}: {refused}");
    }
}

#[test]
fn only_a_believable_moment_is_a_sales() {
    let now = at("2026-05-17T12:00:00Z");
    assert!(now.plus_millis(MAX_AHEAD_MS).believable(now).is_ok());
    assert!(at("1970-01-01T00:00:00Z").believable(now).is_ok());
    let ahead = now.plus_millis(MAX_AHEAD_MS + 1).believable(now);
    assert!(matches!(ahead, Err(DayError::TooFarAhead { .. })));
    assert!(matches!(at("1969-12-31T23:59:59Z").believable(now), Err(DayError::TooEarly { .. })));
    assert!(matches!(Moment::from_millis(i64::MAX).believable(now), Err(DayError::TooFarAhead { .. })));
    assert_eq!(at("2026-05-17T14:05:06.789+02:00").to_string(), "2026-05-17T12:05:06Z");
}
