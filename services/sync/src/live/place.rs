//! How far a list was walked: kept between rounds, so that any process goes on where the last one ended.

use domain::day::Moment;
use feeds::connection::{Base, FillError, NextPage, Place, Pull};
use ledger::PullState;
use reqwest::Url;
use serde::{Deserialize, Serialize};

/// How far back the first look reaches. A shop whose clock is hours behind loses nothing by it, and
/// orders of long ago are history, which is fed in as such.
const FIRST_LOOK_MS: i64 = 24 * 60 * 60 * 1000;
/// How long the `ETag` of a first page is believed to speak for the whole list: a full page stays the same
/// while another is added behind it.
const ETAG_MS: i64 = 15 * 60 * 1000;
/// The longest place that the ledger keeps.
pub(super) const MAX_PLACE_CHARS: usize = 1000;
/// Pages of one walk: a list that goes on beyond it is one that never ends.
pub(super) const MAX_PAGES_A_WALK: u32 = 10_000;

/// A walk over the pages of a list, at rest between two of them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Walk {
    /// Where the next page stands: below the base, or a cursor, or its number.
    at: String,
    /// What `{since}` was when it began.
    since: i64,
    /// The newest change seen on it.
    newest: Option<i64>,
    /// Pages so far.
    pages: u32,
    /// What the last page was, to tell a shop that gives the same one for ever.
    last: String,
}

/// Where a list is known to.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Known {
    /// The other shop's own mark, where it gives one.
    #[serde(skip_serializing_if = "String::is_empty")]
    cursor: String,
    /// The walk that is not at its end.
    #[serde(skip_serializing_if = "Option::is_none")]
    walk: Option<Walk>,
    /// Of which address the `ETag` is, and since when it is believed.
    #[serde(skip_serializing_if = "Option::is_none")]
    tagged: Option<(String, i64)>,
}

/// What a page said of going on.
#[derive(Debug)]
pub(super) struct Turned {
    /// The address it came from.
    pub(super) from: Url,
    /// The next one by its header.
    pub(super) link: Option<String>,
    /// The next mark in its body.
    pub(super) cursor: Option<String>,
    /// How many records it had.
    pub(super) records: usize,
    /// What tells it from another.
    pub(super) hash: String,
    /// The newest change on it.
    pub(super) newest: Option<Moment>,
    /// Its `ETag`.
    pub(super) etag: Option<String>,
}

/// A list's state while it is in hand.
#[derive(Debug)]
pub(super) struct Position {
    known: Known,
    pub(super) state: PullState,
}

impl Position {
    /// From what is kept. What cannot be read is begun anew: orders that come again change nothing.
    pub(super) fn of(mut state: PullState, now: Moment) -> Self {
        let known = serde_json::from_str(&state.cursor).unwrap_or_default();
        state.since = state.since.or(Some(now.plus_millis(-FIRST_LOOK_MS)));
        Self { known, state }
    }

    /// To be kept; none if it is longer than can be.
    pub(super) fn keep(&self) -> Option<PullState> {
        let cursor = serde_json::to_string(&self.known).ok()?;
        let fits = cursor.chars().count() <= MAX_PLACE_CHARS;
        fits.then(|| PullState { cursor, ..self.state.clone() })
    }

    /// The address of the next page.
    pub(super) fn address(&self, base: &Base, pull: &Pull) -> Result<Url, FillError> {
        let walk = self.known.walk.as_ref();
        let since = walk.map_or_else(|| self.since(pull), |w| Moment::from_millis(w.since));
        let since = pull.since.write(since);
        let at = walk.map(|w| w.at.as_str());
        if let (NextPage::Link, Some(at)) = (&pull.next, at) {
            return base.follow(base.url(), at);
        }
        let (cursor, page) = match &pull.next {
            NextPage::Cursor(_) => (at.unwrap_or(&self.known.cursor), ""),
            NextPage::Page => ("", at.unwrap_or("1")),
            NextPage::Link | NextPage::None => ("", ""),
        };
        pull.from.fill(base, &[(Place::Since, &since), (Place::Cursor, cursor), (Place::Page, page)])
    }

    fn since(&self, pull: &Pull) -> Moment {
        self.state.since.unwrap_or(Moment::from_millis(0)).plus_millis(-pull.overlap.millis())
    }

    /// The `ETag` to ask with: of this address, of a list that had one page, and not for too long.
    pub(super) fn etag(&self, url: &Url, now: Moment) -> Option<&str> {
        let (of, since) = self.known.tagged.as_ref().filter(|_| self.known.walk.is_none())?;
        let is_believed = *of == mark(url.as_str()) && (0..ETAG_MS).contains(&(now.millis() - since));
        Some(self.state.etag.as_str()).filter(|etag| is_believed && !etag.is_empty())
    }

    /// Whether it stands somewhere within a list, or at a mark of the other shop's.
    pub(super) fn stands_within(&self) -> bool {
        self.known.walk.is_some() || !self.known.cursor.is_empty()
    }

    /// Begins the list anew.
    pub(super) fn begin_anew(&mut self) {
        self.known = Known::default();
        self.state.etag.clear();
    }

    /// A page was taken whole; says whether there is another now.
    pub(super) fn turn(&mut self, pull: &Pull, page: Turned, now: Moment) -> Result<bool, &'static str> {
        let begun = self.known.walk.take();
        let was_first = begun.is_none();
        let since = self.since(pull).millis();
        let mut walk = begun.unwrap_or_else(|| Walk { since, ..Walk::default() });
        walk.pages += 1;
        walk.newest = walk.newest.max(page.newest.map(Moment::millis));
        if walk.pages > MAX_PAGES_A_WALK {
            return Err("its list never ends; it is begun anew");
        }
        let next = self.next(pull, &walk, &page);
        walk.last.clone_from(&page.hash);
        if let Some(at) = next {
            if matches!(pull.next, NextPage::Cursor(_)) {
                self.known.cursor.clone_from(&at);
            }
            walk.at = at;
            self.known.walk = Some(walk);
            self.known.tagged = None;
            return Ok(true);
        }
        self.end(pull, &walk, page, was_first, now);
        Ok(false)
    }

    fn next(&self, pull: &Pull, walk: &Walk, page: &Turned) -> Option<String> {
        let goes_on = page.records > 0 && page.hash != walk.last;
        match &pull.next {
            NextPage::Link => page.link.clone().filter(|link| goes_on && *link != walk.at),
            NextPage::Page if goes_on => {
                let number: u32 = if walk.at.is_empty() { 1 } else { walk.at.parse().unwrap_or(1) };
                Some((number + 1).to_string())
            }
            NextPage::Page | NextPage::None => None,
            NextPage::Cursor(_) => {
                let next = page.cursor.clone().filter(|c| *c != self.known.cursor);
                next.filter(|_| goes_on)
            }
        }
    }

    fn end(&mut self, pull: &Pull, walk: &Walk, page: Turned, was_first: bool, now: Moment) {
        // The mark of a last page without records is where the next look begins.
        if let (NextPage::Cursor(_), Some(cursor)) = (&pull.next, page.cursor) {
            self.known.cursor = cursor;
        }
        // What is ahead of us is a wrong clock: to follow it would skip what comes once it is set right.
        let believed = walk.newest.map(|newest| newest.min(now.millis()));
        let newest = believed.map(Moment::from_millis).max(self.state.since);
        self.state.since = newest;
        self.state.etag = page.etag.filter(|_| was_first).unwrap_or_default();
        self.known.tagged = (!self.state.etag.is_empty()).then(|| (mark(page.from.as_str()), now.millis()));
    }
}

/// A few characters that tell one text from another.
pub(super) fn mark(text: &str) -> String {
    let hash = feeds::hash::file_hash(text.as_bytes()).unwrap_or_default();
    hash.get(..16).unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use feeds::connection::ConnectionFile;

    const NOW: i64 = 1_781_524_800_000;
    const HOUR: i64 = 60 * 60 * 1000;

    fn file(orders: &str) -> ConnectionFile {
        let text = format!(
            "channel = \"online\"\nbase = \"https://shop.example/api\"\n[out]\nto = \"/x/{{sku}}\"\n[orders]\n{orders}"
        );
        ConnectionFile::parse(&text).unwrap()
    }

    /// Walks over pages as they are given, one a turn; says what was asked and what is kept of it.
    struct Walker {
        file: ConnectionFile,
        state: PullState,
        now: i64,
    }

    impl Walker {
        fn new(orders: &str) -> Self {
            Self { file: file(orders), state: PullState::default(), now: NOW }
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
            let mut position = Position::of(self.state.clone(), now);
            let from = position.address(&self.file.base, pull).unwrap();
            let asked = from.as_str().strip_prefix("https://shop.example/api").unwrap().to_owned();
            let page = Turned {
                hash: mark(&format!("{asked}{records}{newest}")),
                from,
                link: link.map(str::to_owned),
                cursor: cursor.map(str::to_owned),
                records,
                newest: (records > 0).then(|| Moment::from_millis(newest)),
                etag: Some("\"e\"".to_owned()),
            };
            let more = position.turn(pull, page, now).unwrap();
            self.state = position.keep().unwrap();
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
            // An older one that comes later takes nothing back.
            walker.turn(None, None, 1, newest - HOUR);
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
        assert_eq!(walker.turn(None, None, 1, NOW - 3 * HOUR), (ask("/o?p=3"), false));
        assert_eq!(walker.since(), -HOUR);
        // One that leads to itself.
        assert!(walker.turn(Some("/api/o?p=2"), None, 5, NOW).1);
        assert!(!walker.turn(Some("/api/o?p=2"), None, 5, NOW).1);
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
        let mut walker = Walker::new("from = \"/o?after={cursor}\"\nnext = \"cursor\"\ncursor = \"/next\"\n");
        assert_eq!(walker.turn(None, Some("a"), 5, NOW), (ask("/o?after="), true));
        assert_eq!(walker.turn(None, Some("b"), 5, NOW), (ask("/o?after=a"), true));
        // A mark behind the last page: there the next look begins.
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
            let position = Position::of(walker.state.clone(), now);
            let url = position.address(&walker.file.base, walker.file.orders.as_ref().unwrap()).unwrap();
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
        // A list of several pages has no one ETag.
        walker.turn(Some("/api/o?p=2"), None, 1, NOW - HOUR);
        walker.turn(None, None, 1, NOW - HOUR);
        assert_eq!(etag(&walker, 0), None);
    }

    #[test]
    fn what_cannot_be_read_is_begun_anew() {
        let state = PullState { cursor: "{\"x\":1}".to_owned(), ..PullState::default() };
        let position = Position::of(state, Moment::from_millis(NOW));
        assert_eq!(position.known, Known::default());
        let long = PullState {
            cursor: format!("{{\"cursor\":\"{}\"}}", "x".repeat(MAX_PLACE_CHARS)),
            ..PullState::default()
        };
        assert_eq!(Position::of(long, Moment::from_millis(NOW)).keep(), None);
    }
}
