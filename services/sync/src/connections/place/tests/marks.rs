//! Lists that are read on from a mark, of a shop that may be restored to an earlier state.

use super::*;

/// A shop that appends to a log, and gives the place of the last entry as a mark.
struct Log {
    walker: Walker,
    /// What identifies the entry at each place.
    entries: Vec<u64>,
    page: usize,
    /// The marks that were sent.
    asked: Vec<String>,
}

impl Log {
    fn new(entries: u64, page: usize) -> Self {
        let walker = Walker::new("from = \"/o?after={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\n");
        Self { walker, entries: (1..=entries).collect(), page, asked: Vec::new() }
    }

    fn position(&self) -> Position {
        let pull = self.walker.file.orders.as_ref().unwrap();
        let now = Moment::from_millis(self.walker.now);
        Position::of(self.walker.state.clone(), pull, now, now)
    }

    fn keep(&mut self, position: &Position) {
        self.walker.state = position.keep().unwrap();
        self.walker.state.reread = self.walker.state.reread.filter(|_| position.reread_begun.is_none());
    }

    /// Reads the next page; returns its entries, and whether there is another.
    fn turn(&mut self) -> (Vec<u64>, bool) {
        let mut position = self.position();
        let pull = self.walker.file.orders.as_ref().unwrap();
        let from = position.address(&self.walker.file.base, pull).unwrap();
        let after = from.as_str().rsplit_once('=').unwrap().1.to_owned();
        let place: usize = after.parse().unwrap_or(0);
        let found: Vec<u64> = self.entries.iter().skip(place).take(self.page).copied().collect();
        let page = Turned {
            hash: format!("{found:?}"),
            cursor: (!found.is_empty()).then(|| (place + found.len()).to_string()),
            records: found.len(),
            prints: found.iter().copied().collect(),
            newest: (!found.is_empty()).then(|| Moment::from_millis(NOW)),
            ..Turned::not_there(from)
        };
        let more = position.turn(pull, &page, Moment::from_millis(self.walker.now)).unwrap();
        self.keep(&position);
        self.asked.push(after);
        (found, more)
    }

    /// Reads to the end; returns the mark where it began, and what it read.
    fn walk(&mut self) -> (String, Vec<u64>) {
        self.asked.clear();
        let mut read = Vec::new();
        for _ in 0..1000 {
            let (found, more) = self.turn();
            read.extend(found);
            if !more {
                return (self.asked.remove(0), read);
            }
        }
        panic!("it never ends: {:?}", self.asked);
    }

    /// The mark is refused so often that the list is begun again.
    fn refuse(&mut self) {
        let mut position = self.position();
        position.begin_anew(Moment::from_millis(self.walker.now));
        self.keep(&position);
    }

    /// Restores the log to its first entries, and appends others.
    fn put_back(&mut self, to: usize, since: std::ops::Range<u64>) {
        self.entries.truncate(to);
        self.entries.extend(since);
    }

    fn days(&mut self, days: i64) {
        self.walker.now += days * 24 * HOUR;
    }
}

fn met(read: &[u64], wanted: std::ops::Range<u64>) -> bool {
    wanted.into_iter().all(|entry| read.contains(&entry))
}

#[test]
fn a_look_begins_at_what_the_last_one_saw_and_no_earlier() {
    for page in [1, 2, 3, 5, 50] {
        let mut log = Log::new(100, page);
        assert_eq!(log.walk(), (ask(""), (1..=100).collect()));
        log.entries.extend(101..105);
        assert_eq!(log.walk(), (ask("100"), (101..105).collect()));
        assert_eq!(log.walk(), (ask("104"), vec![]));
        let (mut at_day, mut at_week) = (100, 100);
        for day in 1..20 {
            log.days(1);
            let begun: usize = log.walk().0.parse().unwrap_or(0);
            let last = if day % 7 == 0 { std::mem::replace(&mut at_week, log.entries.len()) } else { at_day };
            // No earlier than needed to meet the last records again.
            assert!((last.saturating_sub(3 * page.max(4))..last).contains(&begun), "{page} {day}: {begun}");
            at_day = log.entries.len();
            let next = log.entries.len() as u64 + 1;
            log.entries.extend(next..next + day % 3);
            log.walk();
        }
    }
}

#[test]
fn a_list_that_was_put_back_is_read_from_an_earlier_mark_however_long_it_is_by_then() {
    // Thirty entries, `days` later forty; then the first `to` of them, and `since` new ones.
    let check = |(days, page): (i64, usize), to: usize, since: u64| {
        let mut log = Log::new(30, page);
        log.walk();
        log.days(days);
        log.entries.extend(31..41);
        log.walk();
        log.put_back(to, 1000..1000 + since);
        log.walk();
        log.days(1);
        let (_, read) = log.walk();
        assert!(met(&read, 1000..1000 + since), "{days} {page} {to} {since}: {read:?}");
        log.entries.push(2000);
        assert_eq!(log.walk().1, [2000], "{days} {page} {to} {since}: the mark went with it");
        // The list is known again: the next look is short.
        log.days(1);
        let (begun, _) = log.walk();
        let begun: usize = begun.parse().unwrap_or(0);
        assert!(begun + 4 * page.max(4) >= log.entries.len() - 1, "{days} {page} {to} {since}: {begun}");
    };
    for page in [1, 2, 5, 50] {
        for to in [0, 1, 10, 27, 29, 31, 39, 40] {
            for since in [0, 1, 5, 20, 60] {
                // The daily look, and the weekly one.
                check((3, page), to, since);
                check((6, page), to, since);
            }
        }
    }
}

#[test]
fn where_each_order_stands_once_those_that_moved_on_do_not_say_that_it_was_put_back() {
    // The last ones changed again: they are at the end of the list in a new state.
    let check = |moved: usize, begins: bool| {
        let mut log = Log::new(60, 5);
        log.walk();
        log.days(1);
        let last = log.entries.len();
        for at in last - moved..last {
            log.entries[at] += 1000;
        }
        log.walk();
        assert_eq!(log.asked.iter().any(String::is_empty), begins, "{moved}: {:?}", log.asked);
    };
    check(0, false);
    check(5, false);
    // All that it remembered: it cannot tell, and reads more.
    check(20, true);
}

#[test]
fn a_look_whose_mark_is_refused_tries_an_earlier_one() {
    let mut log = Log::new(30, 5);
    log.walk();
    log.days(3);
    log.entries.extend(31..41);
    log.walk();
    log.put_back(20, 1000..1030);
    log.days(1);
    let begins = |log: &Log| log.position().walk.at;
    let (day, proofs) = (begins(&log), [log.position().known.day, log.position().known.week]);
    log.refuse();
    let week = begins(&log);
    assert!(!week.is_empty() && week != day, "{week} {day}");
    log.refuse();
    assert_eq!(begins(&log), "");
    // The beginning is refused too: the look is given up, and the next one must still meet the same records.
    log.refuse();
    assert_eq!(begins(&log), "40", "the mark");
    let kept = [log.position().known.day, log.position().known.week];
    for (before, after) in proofs.into_iter().zip(kept) {
        let (before, after) = (before.unwrap(), after.unwrap());
        assert_eq!((&before.cursor, &before.seen), (&after.cursor, &after.seen));
    }
    log.walk();
    log.days(1);
    assert!(met(&log.walk().1, 1000..1030));
}

#[test]
fn a_look_that_rested_while_the_list_was_put_back_begins_once_more() {
    // The first reading, and a daily look.
    for is_first in [true, false] {
        let check = |hours: i64, anew: bool| {
            let mut log = Log::new(40, 5);
            if !is_first {
                log.walk();
                log.days(1);
            }
            let (first, _) = log.turn();
            log.walker.now += hours * HOUR;
            let (second, _) = log.turn();
            assert_eq!(first == second, anew, "{is_first} {hours}: {second:?}");
        };
        check(0, false);
        check(1, false);
        check(2, true);
        // Our clock was set back in the meantime.
        check(-1, true);
    }
}

#[test]
fn what_a_look_met_before_it_rested_proves_nothing() {
    for is_first in [true, false] {
        let mut log = Log::new(40, 5);
        if !is_first {
            log.walk();
            log.days(1);
        }
        log.turn();
        log.walker.now += 2 * HOUR;
        log.put_back(3, 1000..1060);
        assert!(met(&log.walk().1, 1000..1060), "{is_first}");
    }
}

#[test]
fn whoever_relies_on_its_orders_has_it_looked_at_at_once() {
    let relied = |log: &Log| {
        let mut position = log.position();
        position.look_back_now(log.walker.file.orders.as_ref().unwrap(), Moment::from_millis(log.walker.now));
        position
    };
    let mut log = Log::new(40, 5);
    log.walk();
    log.put_back(10, 1000..1060);
    // It just did.
    assert_eq!(relied(&log).walk.at, "40");
    log.walker.now += HOUR;
    let position = relied(&log);
    assert_eq!(position.walk.start, position.known.day.as_ref().unwrap().cursor);
    // The look goes on where it was interrupted.
    log.keep(&position);
    log.turn();
    assert_eq!(relied(&log).walk, log.position().walk);
    assert!(met(&log.walk().1, 1000..1060));
    log.walker.file =
        file("from = \"/o?after={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\ndaily = \"0s\"\n");
    log.walker.now += HOUR;
    assert_eq!(relied(&log).walk.at, "70", "nobody wants it");
}

#[test]
fn a_person_has_a_list_read_once_more_from_a_look_that_still_holds() {
    let mut log = Log::new(40, 5);
    log.walk();
    log.put_back(10, 1000..1060);
    log.walk();
    log.walker.state.reread = Some(Moment::from_millis(NOW));
    let (begun, read) = log.walk();
    assert!(!begun.is_empty() && met(&read, 1000..1060), "{begun}: {read:?}");
    assert_eq!(log.walker.state.reread, None);
    // From a day before all looks.
    log.walker.state.reread = Some(Moment::from_millis(NOW - 48 * HOUR));
    assert_eq!(log.walk().0, "");
}
