//! Readings of lists, page by page.

use super::*;
use feeds::connection::ConnectionFile;

mod marks;

const NOW: i64 = 1_781_524_800_000;
const HOUR: i64 = 60 * 60 * 1000;

fn file(orders: &str) -> ConnectionFile {
    let text = format!(
        "channel = \"online\"\nbase = \"https://shop.example/api\"\n[out]\nto = \"/x/{{sku}}\"\n[orders]\n{orders}"
    );
    ConnectionFile::parse(&text).unwrap()
}

/// Reads the given pages, one per turn; records what was asked and what is stored.
struct Walker {
    file: ConnectionFile,
    state: PullState,
    now: i64,
    /// What their clock shows, if it is sent.
    date: Option<i64>,
}

impl Walker {
    fn new(orders: &str) -> Self {
        Self { file: file(orders), state: PullState::default(), now: NOW, date: None }
    }

    /// The path that is asked for, and whether there is more.
    fn turn(
        &mut self,
        link: Option<&str>,
        cursor: Option<&str>,
        records: usize,
        newest: i64,
    ) -> (String, bool) {
        let pull = self.file.orders.as_ref().unwrap();
        let now = Moment::from_millis(self.now);
        let mut position = Position::of(self.state.clone(), pull, now, now);
        let from = position.address(&self.file.base, pull).unwrap();
        let asked = from.as_str().strip_prefix("https://shop.example/api").unwrap().to_owned();
        let page = Turned {
            hash: mark(&format!("{asked}{records}{newest}")),
            from,
            link: link.map(str::to_owned),
            cursor: cursor.map(str::to_owned),
            records,
            prints: (0..records as u64).map(|at| u64::try_from(newest).unwrap() + at).collect(),
            newest: (records > 0).then(|| Moment::from_millis(newest)),
            etag: Some("\"e\"".to_owned()),
            date: self.date,
        };
        let more = position.turn(pull, &page, now).unwrap();
        self.state = position.keep().unwrap();
        // As the ledger does it.
        self.state.reread = self.state.reread.filter(|_| position.reread_begun != self.state.reread);
        (asked, more)
    }

    fn since(&self) -> i64 {
        self.state.since.unwrap().millis() - NOW
    }
}

fn ask(path: &str) -> String {
    path.to_owned()
}

#[test]
fn the_first_look_reaches_back_a_day() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\noverlap = \"10m\"\n");
    // NOW is 2026-06-15T12:00:00Z.
    assert_eq!(walker.turn(None, None, 0, 0), (ask("/o?since=2026-06-14T11%3A50%3A00Z"), false));
    assert_eq!(walker.since(), -24 * HOUR);
    assert_eq!(walker.turn(None, None, 1, NOW - HOUR).0, "/o?since=2026-06-14T11%3A50%3A00Z");
    assert_eq!(walker.turn(None, None, 0, 0).0, "/o?since=2026-06-15T10%3A50%3A00Z");
}

#[test]
fn a_clock_that_is_wrong_by_hours_neither_skips_nor_stands() {
    let check = |newest: i64, since: i64| {
        let mut walker = Walker::new("from = \"/o?since={since}\"\n");
        walker.turn(None, None, 1, newest);
        assert_eq!(walker.since(), since, "{newest}");
        walker.turn(None, None, 1, newest);
        assert_eq!(walker.since(), since, "{newest}");
    };
    check(NOW - 3 * HOUR, -3 * HOUR);
    check(NOW, 0);
    check(NOW + 5 * HOUR, 0);
    check(NOW - 48 * HOUR, -24 * HOUR);
}

#[test]
fn links_are_followed_to_their_end_and_since_stands_still_meanwhile() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\nnext = \"link\"\n");
    let first = "/o?since=2026-06-14T11%3A50%3A00Z";
    assert_eq!(walker.turn(Some("/api/o?p=2"), None, 5, NOW - HOUR), (ask(first), true));
    assert_eq!(walker.turn(Some("/api/o?p=3"), None, 5, NOW - 2 * HOUR), (ask("/o?p=2"), true));
    assert_eq!(walker.since(), -24 * HOUR);
    // The mark would move, so it is checked whether the list stood still.
    assert_eq!(walker.turn(None, None, 1, NOW - 3 * HOUR), (ask("/o?p=3"), true));
    assert_eq!(walker.turn(Some("/api/o?p=2"), None, 5, NOW - HOUR), (ask(first), true));
    assert_eq!(walker.turn(Some("/api/o?p=3"), None, 5, NOW - 2 * HOUR), (ask("/o?p=2"), true));
    assert_eq!(walker.since(), -24 * HOUR);
    assert_eq!(walker.turn(None, None, 1, NOW - 3 * HOUR), (ask("/o?p=3"), false));
    assert_eq!(walker.since(), -HOUR);
    // A page that leads to itself, and moves nothing.
    assert!(walker.turn(Some("/api/o?p=2"), None, 5, NOW - HOUR).1);
    assert!(!walker.turn(Some("/api/o?p=2"), None, 5, NOW - HOUR).1);
}

#[test]
fn a_list_that_shifted_is_walked_again_and_the_mark_stays_where_the_walk_began() {
    for next in ["next = \"page\"\n", "next = \"cursor\"\ncursor_at = \"/next\"\n"] {
        let place = if next.contains("page") { "{page}" } else { "{cursor}" };
        let mut walker = Walker::new(&format!("from = \"/o?since={{since}}&at={place}\"\n{next}"));
        // What changed after the reading began has a later time than that.
        let walk = |walker: &mut Walker, records: usize, more: bool| {
            let cursor = Some("2").filter(|_| place == "{cursor}");
            let (first, goes_on) = walker.turn(None, cursor, records, NOW + HOUR);
            assert!(first.starts_with("/o?since=2026-06-14T11%3A50%3A00Z") && goes_on, "{first}");
            walker.now += 1000;
            let (second, again) = walker.turn(None, None, 0, 0);
            assert!(second.ends_with("&at=2"), "{second}");
            assert_eq!(again, more, "{next}");
        };
        walk(&mut walker, 50, true);
        walk(&mut walker, 49, true);
        assert_eq!(walker.since(), -24 * HOUR);
        walk(&mut walker, 49, false);
        assert_eq!(walker.since(), 0, "where the first of the walks began");
        // A list that never stands still is believed after a few readings.
        walker.now += HOUR;
        let mut walks = 1;
        while {
            walker.turn(None, Some("2").filter(|_| place == "{cursor}"), walks, NOW + 2 * HOUR);
            walker.turn(None, None, 0, 0).1
        } {
            walks += 1;
        }
        assert_eq!(walks, usize::try_from(MAX_WALKS).unwrap());
    }
}

#[test]
fn once_a_day_and_once_a_week_it_looks_further_back() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\n");
    let asked = |walker: &mut Walker, at: i64| {
        walker.now = NOW + at;
        walker.turn(None, None, 1, NOW + at - 1000).0
    };
    asked(&mut walker, 0);
    assert_eq!(asked(&mut walker, 23 * HOUR), "/o?since=2026-06-15T11%3A49%3A59Z");
    // 2026-06-16T12:00:00Z, two days and ten minutes back; then as usual.
    assert_eq!(asked(&mut walker, 24 * HOUR), "/o?since=2026-06-14T11%3A50%3A00Z");
    assert_eq!(asked(&mut walker, 25 * HOUR), "/o?since=2026-06-16T11%3A49%3A59Z");
    assert_eq!(asked(&mut walker, 7 * 24 * HOUR), "/o?since=2026-06-14T11%3A50%3A00Z");
    assert_eq!(asked(&mut walker, 7 * 24 * HOUR + HOUR), "/o?since=2026-06-22T11%3A49%3A59Z");
    // Our own clock was wrong by a month and is right again: a look in the future does not count.
    walker.now = NOW + 60 * 24 * HOUR;
    walker.turn(None, None, 1, NOW + 8 * 24 * HOUR);
    walker.now = NOW + 8 * 24 * HOUR;
    assert_eq!(walker.turn(None, None, 1, NOW + 8 * 24 * HOUR).0, "/o?since=2026-06-15T11%3A50%3A00Z");
    let mut never = Walker::new("from = \"/o?since={since}\"\ndaily = \"0s\"\nweekly = \"0s\"\n");
    asked(&mut never, 0);
    assert_eq!(asked(&mut never, 24 * 24 * HOUR), "/o?since=2026-06-15T11%3A49%3A59Z");
}

#[test]
fn a_person_has_it_read_once_more_from_a_day_on() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\nnext = \"link\"\n");
    walker.turn(None, None, 1, NOW);
    walker.turn(Some("/api/o?p=2"), None, 1, NOW);
    // A reading in progress gives way.
    walker.state.reread = Some(Moment::from_millis(NOW - 48 * HOUR));
    assert_eq!(walker.turn(Some("/api/o?p=2"), None, 5, NOW).0, "/o?since=2026-06-13T12%3A00%3A00Z");
    assert_eq!(walker.state.reread, None, "it is begun");
    assert_eq!(walker.turn(None, None, 5, NOW), (ask("/o?p=2"), false));
    assert_eq!(walker.turn(None, None, 1, NOW).0, "/o?since=2026-06-15T11%3A50%3A00Z");
}

#[test]
fn their_clock_set_back_is_noticed_and_walked_back_over() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\n");
    walker.date = Some(NOW);
    walker.turn(None, None, 1, NOW - 1000);
    (walker.now, walker.date) = (NOW + HOUR, Some(NOW + HOUR));
    assert_eq!(
        walker.turn(None, None, 1, NOW + HOUR - 1000),
        (ask("/o?since=2026-06-15T11%3A49%3A59Z"), false)
    );
    // Half an hour later it is five hours earlier there; an order changed right after that.
    (walker.now, walker.date) = (NOW + HOUR + HOUR / 2, Some(NOW - 4 * HOUR));
    assert!(walker.turn(None, None, 1, NOW + HOUR - 1000).1, "it is looked again at once");
    let (asked, more) = walker.turn(None, None, 1, NOW + HOUR - 1000);
    assert_eq!((asked.as_str(), more), ("/o?since=2026-06-14T07%3A20%3A00Z", false));
    assert_eq!(walker.since(), -4 * HOUR, "never later than their own clock");
    // A clock that only seems behind, because ours went forward, costs a longer look and nothing else.
    (walker.now, walker.date) = (NOW + 40 * HOUR, Some(NOW - 4 * HOUR + 1000));
    assert!(walker.turn(None, None, 1, NOW + HOUR - 1000).1);
    assert!(!walker.turn(None, None, 1, NOW + HOUR - 1000).1);
}

#[test]
fn what_their_clock_showed_before_it_was_set_forward_again_is_walked_over() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\n");
    walker.date = Some(NOW);
    walker.turn(None, None, 1, NOW);
    // Back by six hours, an order at once, and forward by four: it shows two hours less than it should.
    (walker.now, walker.date) = (NOW + HOUR, Some(NOW - HOUR));
    let bought = NOW - 6 * HOUR;
    assert!(walker.turn(None, None, 1, NOW).1, "it is looked again at once");
    let (asked, _) = walker.turn(None, None, 2, NOW);
    let since = asked.strip_prefix("/o?since=").unwrap().replace("%3A", ":");
    assert!(Moment::parse_rfc3339(&since).unwrap().millis() <= bought, "{since}");
    // Behind by no more than a reading reaches back anyway, such as a second machine at their end: nothing
    // is hidden.
    (walker.now, walker.date) = (NOW + 2 * HOUR, Some(NOW - 10 * 60 * 1000));
    assert!(!walker.turn(None, None, 1, NOW).1);
}

#[test]
fn a_walk_of_a_clock_that_was_set_back_says_nothing_of_what_is_seen_after_it() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\nnext = \"link\"\n");
    walker.turn(None, None, 1, NOW - HOUR);
    walker.now = NOW - HOUR;
    walker.turn(Some("/api/o?p=2"), None, 1, NOW - HOUR);
    let (seen, now) = (Moment::from_millis(NOW - HOUR / 2), Moment::from_millis(NOW + HOUR));
    let pull = walker.file.orders.as_ref().unwrap();
    assert!(!was_walked_since(&walker.state.cursor, pull, (seen, now), Moment::from_millis(NOW - HOUR)));
}

#[test]
fn a_look_back_reaches_to_the_last_one_and_a_day_further() {
    let check = |asks: &[i64], expected: &str| {
        let mut walker = Walker::new("from = \"/o?since={since}\"\n");
        walker.turn(None, None, 1, NOW);
        let mut asked = String::new();
        for hours in asks {
            walker.now = NOW + hours * HOUR;
            asked = walker.turn(None, None, 1, walker.now - 1000).0;
        }
        assert_eq!(asked, format!("/o?since={expected}T11%3A50%3A00Z"), "{asks:?}");
    };
    // What came right after the last look, with a clock hours behind, is met.
    check(&[24], "2026-06-14");
    check(&[24, 48], "2026-06-15");
    // Nobody looked for days, or for weeks: what the weekly look should find is found anyway.
    check(&[8 * 24, 11 * 24], "2026-06-22");
    check(&[24, 48, 72, 96, 120, 25 * 24], "2026-06-14");
}

#[test]
fn their_clock_set_back_between_two_pages_holds_the_mark_back() {
    let mut walker = Walker::new("from = \"/o?since={since}&page={page}\"\nnext = \"page\"\n");
    (walker.state.since, walker.date) = (Some(Moment::from_millis(NOW - 72 * HOUR)), Some(NOW));
    assert!(walker.turn(None, None, 5, NOW - 1000).1);
    // Half an hour later it is four hours earlier there: the next order has an earlier time than what was
    // seen.
    (walker.now, walker.date) = (NOW + HOUR / 2, Some(NOW - 4 * HOUR));
    while walker.turn(None, None, 0, 0).1 {
        walker.turn(None, None, 5, NOW - 1000);
    }
    assert_eq!(walker.since(), -28 * HOUR - HOUR / 2, "no later than when it may have been set back");
}

#[test]
fn a_list_that_went_back_is_walked_a_day_further() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\n");
    walker.turn(None, None, 1, NOW);
    // The order whose time is the mark is gone: another is the newest by now.
    assert!(walker.turn(None, None, 1, NOW - 2 * HOUR).1);
    assert_eq!(walker.turn(None, None, 1, NOW - 2 * HOUR), (ask("/o?since=2026-06-14T09%3A50%3A00Z"), false));
    assert_eq!(walker.turn(None, None, 1, NOW - 2 * HOUR), (ask("/o?since=2026-06-15T09%3A50%3A00Z"), false));
    // All of them are gone: once.
    assert!(walker.turn(None, None, 0, 0).1);
    assert_eq!(walker.turn(None, None, 0, 0), (ask("/o?since=2026-06-14T09%3A50%3A00Z"), false));
    assert_eq!(walker.turn(None, None, 0, 0), (ask("/o?since=2026-06-15T09%3A50%3A00Z"), false));
}

#[test]
fn a_cursor_of_one_walk_is_never_sent_with_the_next() {
    let mut walker =
        Walker::new("from = \"/o?since={since}&after={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\n");
    let first = "/o?since=2026-06-14T11%3A50%3A00Z&after=";
    for _ in 0..2 {
        assert_eq!(walker.turn(None, Some("a"), 5, NOW - HOUR), (ask(first), true));
        walker.turn(None, None, 1, NOW - HOUR);
    }
    assert_eq!(walker.since(), -HOUR);
    assert_eq!(walker.turn(None, Some("c"), 5, NOW - HOUR).0, "/o?since=2026-06-15T10%3A50%3A00Z&after=");
}

#[test]
fn pages_are_counted_up_until_one_is_empty() {
    let mut walker = Walker::new("from = \"/o?page={page}\"\nnext = \"page\"\n");
    assert_eq!(walker.turn(None, None, 5, NOW), (ask("/o?page=1"), true));
    assert_eq!(walker.turn(None, None, 5, NOW), (ask("/o?page=2"), true));
    assert_eq!(walker.turn(None, None, 0, 0), (ask("/o?page=3"), false));
    assert_eq!(walker.turn(None, None, 0, 0), (ask("/o?page=1"), false));
}

#[test]
fn a_mark_is_kept_where_the_list_ends() {
    let mut walker = Walker::new("from = \"/o?after={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\n");
    assert_eq!(walker.turn(None, Some("a"), 5, NOW), (ask("/o?after="), true));
    assert_eq!(walker.turn(None, Some("b"), 5, NOW), (ask("/o?after=a"), true));
    // A mark after the last page: the next look begins there.
    assert_eq!(walker.turn(None, Some("c"), 0, 0), (ask("/o?after=b"), false));
    assert_eq!(walker.turn(None, Some("c"), 0, 0), (ask("/o?after=c"), false));
    assert_eq!(walker.turn(None, Some("d"), 2, NOW), (ask("/o?after=c"), true));
    assert_eq!(walker.turn(None, None, 1, NOW), (ask("/o?after=d"), false));
    assert_eq!(walker.turn(None, None, 0, 0), (ask("/o?after=d"), false));
}

#[test]
fn an_etag_speaks_for_its_own_address_and_not_for_ever() {
    let mut walker = Walker::new("from = \"/o?since={since}\"\nnext = \"link\"\n");
    let etag = |walker: &Walker, ms: i64| {
        let now = Moment::from_millis(walker.now + ms);
        let pull = walker.file.orders.as_ref().unwrap();
        let position = Position::of(walker.state.clone(), pull, now, now);
        let url = position.address(&walker.file.base, pull).unwrap();
        position.etag(&url, now).map(str::to_owned)
    };
    assert_eq!(etag(&walker, 0), None);
    walker.turn(None, None, 1, NOW - HOUR);
    // The newest change moved the address on.
    assert_eq!(etag(&walker, 0), None);
    walker.turn(None, None, 1, NOW - HOUR);
    assert_eq!(etag(&walker, 0).as_deref(), Some("\"e\""));
    assert_eq!(etag(&walker, ETAG_MS - 1).as_deref(), Some("\"e\""));
    assert_eq!(etag(&walker, ETAG_MS), None);
    assert_eq!(etag(&walker, -HOUR), None);
    // A list of several pages has no single ETag.
    walker.turn(Some("/api/o?p=2"), None, 1, NOW - HOUR);
    walker.turn(None, None, 1, NOW - HOUR);
    assert_eq!(etag(&walker, 0), None);
}

#[test]
fn what_cannot_be_read_is_begun_anew() {
    let state = PullState { cursor: "{\"x\":1}".to_owned(), ..PullState::default() };
    let file = file("from = \"/o\"\n");
    let pull = file.orders.as_ref().unwrap();
    let position = Position::of(state, pull, Moment::from_millis(NOW), Moment::from_millis(NOW));
    assert_eq!(position.known, Known::default());
    let long = PullState {
        cursor: format!("{{\"cursor\":\"{}\"}}", "x".repeat(MAX_PLACE_CHARS)),
        ..PullState::default()
    };
    assert_eq!(Position::of(long, pull, Moment::from_millis(NOW), Moment::from_millis(NOW)).keep(), None);
}

#[test]
fn the_first_look_reaches_back_from_when_the_connection_was_made() {
    let file = file("from = \"/o?since={since}\"\n");
    let pull = file.orders.as_ref().unwrap();
    let check = |made: i64, now: i64, expected: i64| {
        let (made, now) = (Moment::from_millis(made), Moment::from_millis(now));
        let since = Position::of(PullState::default(), pull, made, now).state.since;
        assert_eq!(since.map(Moment::millis), Some(expected), "made {made:?}, now {now:?}");
    };
    check(NOW, NOW, NOW - DAY_MS);
    // The shop was away for two days, or nobody served the connection.
    check(NOW, NOW + 2 * DAY_MS, NOW - DAY_MS);
    // The clock was set back since, or was years behind when the connection was made.
    check(NOW + HOUR, NOW, NOW - DAY_MS);
    check(0, NOW, NOW - FIRST_LOOK_MOST_MS - DAY_MS);
}
