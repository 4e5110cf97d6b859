//! When people buy, by season, day of the week and channel.

use super::rng::Rng;
use super::trouble::{DemoError, Doing};
use domain::channel::Channel;
use domain::day::{Moment, Zone};
use jiff::civil::{Date, Weekday};

/// How busy each month is, January first, in percent of an ordinary one. Invented; that knitwear sells in the
/// fall and before Christmas is common practice, no source.
const SEASON: [i64; 12] = [80, 65, 65, 60, 70, 60, 55, 70, 105, 150, 210, 250];
/// Visits that end in a sale on an ordinary day, in hundredths. Invented.
const STORE: i64 = 125;
const ONLINE: i64 = 75;
const MARKET: i64 = 480;
/// The days of the month on which resellers order, the second one only in the fall.
const WHOLESALE_DAYS: [i8; 2] = [12, 24];

/// Where somebody buys.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Door {
    Store,
    Online,
    Market,
    Wholesale,
}

impl Door {
    pub(super) fn channel(self) -> Result<Channel, DemoError> {
        let code = match self {
            Self::Store => "store",
            Self::Online => "online",
            Self::Market => "market",
            Self::Wholesale => "wholesale",
        };
        Channel::parse(code).doing("name a channel")
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Visit {
    /// When it is entered: the market's slips are rung up once the stall is packed away.
    pub(super) rung_up: Moment,
    /// When the sale took place.
    pub(super) at: Moment,
    pub(super) door: Door,
}

/// The visits of a day in the order in which they are rung up.
pub(super) fn visits(dice: &mut Rng, day: Date, zone: &Zone) -> Result<Vec<Visit>, DemoError> {
    let mut visits = Vec::new();
    let doors = [
        (Door::Store, STORE, (600, 1_019)),
        (Door::Online, ONLINE, (420, 1_319)),
        (Door::Market, MARKET, (540, 839)),
    ];
    for (door, ordinary, (opens, closes)) in doors {
        if !is_open(door, day) {
            continue;
        }
        let mut minutes: Vec<i64> =
            (0..how_many(dice, ordinary, day)).map(|_| dice.between(opens, closes)).collect();
        minutes.sort_unstable();
        for (count, minute) in (0..).zip(minutes) {
            let at = moment(zone, day, minute)?;
            let rung_up = if door == Door::Market { moment(zone, day, 1_080 + count)? } else { at };
            visits.push(Visit { rung_up, at, door });
        }
    }
    if is_open(Door::Wholesale, day) {
        let at = moment(zone, day, 1_035)?;
        visits.push(Visit { rung_up: at, at, door: Door::Wholesale });
    }
    visits.sort_by_key(|v| (v.rung_up, v.door));
    Ok(visits)
}

/// The store opens Thursday to Sunday, the market on Saturdays from May until before Christmas.
fn is_open(door: Door, day: Date) -> bool {
    let weekday = day.weekday();
    match door {
        Door::Store => {
            matches!(weekday, Weekday::Thursday | Weekday::Friday | Weekday::Saturday | Weekday::Sunday)
        }
        Door::Online => true,
        Door::Market => {
            weekday == Weekday::Saturday && day.month() >= 5 && (day.month(), day.day()) < (12, 24)
        }
        Door::Wholesale => {
            day.day() == WHOLESALE_DAYS[0]
                || day.day() == WHOLESALE_DAYS[1] && (9..=11).contains(&day.month())
        }
    }
}

/// Between none and twice the usual number, all equally likely.
fn how_many(dice: &mut Rng, ordinary: i64, day: Date) -> i64 {
    let month = usize::try_from(day.month() - 1).unwrap_or(0);
    let twice = ordinary * SEASON[month] / 50;
    let most = (twice + dice.between(0, 99)) / 100;
    dice.between(0, most)
}

/// A moment this many minutes after midnight, local time.
pub(super) fn moment(zone: &Zone, day: Date, minute: i64) -> Result<Moment, DemoError> {
    let hour = i8::try_from(minute / 60).doing("tell the time")?;
    let rest = i8::try_from(minute % 60).doing("tell the time")?;
    let local = jiff::civil::Time::new(hour, rest, 0, 0).doing("tell the time")?;
    zone.moment_of(day.to_datetime(local)).doing("tell the time")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn doors(year: i16, month: i8, day: i8) -> Vec<Door> {
        let date = Date::constant(year, month, day);
        let all = [Door::Store, Door::Online, Door::Market, Door::Wholesale];
        all.into_iter().filter(|d| is_open(*d, date)).collect()
    }

    #[test]
    fn each_door_has_its_days() {
        let check = |(year, month, day), expected: &[Door]| {
            assert_eq!(doors(year, month, day), expected, "{year}-{month}-{day}");
        };
        // A Monday, a Thursday, Saturdays.
        check((2025, 6, 2), &[Door::Online]);
        check((2025, 6, 12), &[Door::Store, Door::Online, Door::Wholesale]);
        check((2025, 6, 14), &[Door::Store, Door::Online, Door::Market]);
        check((2025, 2, 15), &[Door::Store, Door::Online]);
        check((2024, 12, 28), &[Door::Store, Door::Online]);
        check((2025, 9, 24), &[Door::Online, Door::Wholesale]);
        check((2025, 8, 24), &[Door::Store, Door::Online]);
    }

    #[test]
    fn autumn_is_busier_than_spring_and_slips_wait_for_the_evening() {
        let zone = Zone::from_name("America/New_York").unwrap();
        let count = |month: i8| {
            let mut dice = Rng::new(5);
            let days = (1..=28).map(|day| Date::constant(2024, month, day));
            days.map(|day| visits(&mut dice, day, &zone).unwrap().len()).sum::<usize>()
        };
        assert!(count(11) > 2 * count(5), "{} in November, {} in May", count(11), count(5));

        let saturday = visits(&mut Rng::new(5), Date::constant(2025, 10, 18), &zone).unwrap();
        assert!(saturday.windows(2).all(|pair| pair[0].rung_up <= pair[1].rung_up));
        let market: Vec<_> = saturday.iter().filter(|v| v.door == Door::Market).collect();
        assert!(!market.is_empty() && market.iter().all(|v| v.at < v.rung_up));
    }
}
