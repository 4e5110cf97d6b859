//! How far a list was walked: kept between rounds, so that any process goes on where the last one ended.
//!
//! A list by `{since}` is walked from its mark, the newest change that was seen, less the overlap. The mark moves
//! when a walk is at its end, and never beyond where the walk began: what changed meanwhile may stand on a page
//! that was read already. A list may also shift while it is walked, so that an order steps from a page that is
//! still to come to one that was read: a walk of several pages that would move the mark is done again until
//! two in a row have met the same records.

use super::turned::Turned;
use domain::day::Moment;
use feeds::connection::{Base, Cursor, FillError, NextPage, Place, Pull};
use ledger::online::{MAX_PLACE_CHARS, PullState};
use reqwest::Url;
use serde::{Deserialize, Serialize};

/// How far back from the making of its connection the first look reaches. A shop whose clock is hours behind
/// loses nothing by it, and orders of long ago are history, which is fed in as such.
const FIRST_LOOK_MS: i64 = DAY_MS;
/// A connection that nobody has served for longer than that was made by a wrong clock, or is history itself.
const FIRST_LOOK_MOST_MS: i64 = 60 * DAY_MS;
const DAY_MS: i64 = 24 * 60 * 60 * 1000;
/// How long the `ETag` of a first page is believed to speak for the whole list: a full page stays the same
/// while another is added behind it.
const ETAG_MS: i64 = 15 * 60 * 1000;
/// Pages of one walk: a list that goes on beyond it is one that never ends.
pub(super) const MAX_PAGES_A_WALK: u32 = 10_000;
/// Walks over one window until two in a row are the same: a list that never stands still is believed then, and
/// the look back once a day finds what was missed.
const MAX_WALKS: u32 = 4;
/// How far the other shop's clock may fall behind what we expect of it: answers are kept for a moment on their
/// way, and machines that share an address differ a little.
const CLOCK_SLACK_MS: i64 = 60 * 1000;
/// How far is walked back at most because a clock was set back; the weekly look reaches as far.
const MOST_SET_BACK_MS: i64 = 7 * DAY_MS;
/// How far behind the other shop's clock may have been without anybody noticing: set back and forward again between
/// two looks, it shows nothing of it, and an order of that time stands before all that is walked.
const UNSEEN_MS: i64 = DAY_MS;

/// A walk over the pages of a list, at rest between two of them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Walk {
    /// Where the next page stands: below the base, or a cursor, or its number.
    at: String,
    /// The cursor that it began with.
    #[serde(skip_serializing_if = "String::is_empty")]
    start: String,
    /// What `{since}` was when it began.
    since: i64,
    /// When it began, by our clock, and by the other shop's if that is told.
    began: i64,
    bound: Option<i64>,
    /// The newest change seen on it.
    newest: Option<i64>,
    /// Pages so far.
    pages: u32,
    /// What the last page was, to tell a shop that gives the same one for ever.
    last: String,
    /// What all records of it add up to, and those of the walk over the same window before it.
    sum: u64,
    before: Option<u64>,
    /// Walks over the same window that are at their end.
    walks: u32,
    /// Whether it is the look back of the day, of the week.
    daily: bool,
    weekly: bool,
    /// From when on a person wanted all to be read once more.
    reread: Option<i64>,
    /// Whether the other shop's clock was found to be set back meanwhile.
    is_set_back: bool,
}

impl Walk {
    /// Whether it begins before where the last one ended, for what was missed.
    fn is_deep(&self) -> bool {
        self.daily || self.weekly || self.reread.is_some()
    }
}

/// A look back, and where the list stood then.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Look {
    at: i64,
    #[serde(skip_serializing_if = "String::is_empty")]
    cursor: String,
}

/// Where a list is known to.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Known {
    /// The other shop's own mark, where it gives one that lasts.
    #[serde(skip_serializing_if = "String::is_empty")]
    cursor: String,
    /// The one before it, behind which the last records stood: behind it there is always something.
    #[serde(skip_serializing_if = "Option::is_none")]
    behind: Option<String>,
    /// The walk that is not at its end.
    #[serde(skip_serializing_if = "Option::is_none")]
    walk: Option<Walk>,
    /// Of which address the `ETag` is, and since when it is believed.
    #[serde(skip_serializing_if = "Option::is_none")]
    tagged: Option<(String, i64)>,
    /// What the other shop's clock last showed, and ours then.
    #[serde(skip_serializing_if = "Option::is_none")]
    clock: Option<(i64, i64)>,
    /// The last looks back.
    #[serde(skip_serializing_if = "Option::is_none")]
    day: Option<Look>,
    #[serde(skip_serializing_if = "Option::is_none")]
    week: Option<Look>,
    /// Whether the mark is the time of an order that was seen: then each walk meets that order again.
    is_seen: bool,
    /// When the last walk began that is at its end, and what its `{since}` was.
    #[serde(skip_serializing_if = "Option::is_none")]
    last: Option<(i64, i64)>,
    /// From when on the next walk looks, since the list itself went back.
    #[serde(skip_serializing_if = "Option::is_none")]
    back: Option<i64>,
}

/// A list's state while it is in hand.
#[derive(Debug)]
pub(super) struct Position {
    known: Known,
    pub(super) state: PullState,
    walk: Walk,
    /// Whether no page of the walk was taken yet.
    is_fresh: bool,
    /// What a person wanted to be read once more, and is being read by now.
    pub(super) reread_begun: Option<Moment>,
}

impl Position {
    /// From what is kept, or from when the connection was made: its first look may come late, after the other
    /// shop was away or this program was, and what was bought meanwhile must be on it. What cannot be read is
    /// begun anew: orders that come again change nothing.
    pub(super) fn of(mut state: PullState, pull: &Pull, made: Moment, now: Moment) -> Self {
        let mut known: Known = serde_json::from_str(&state.cursor).unwrap_or_default();
        // A walk that began later than now began by a wrong clock: even once it is so late, it says nothing.
        known.last = known.last.filter(|(began, _)| *began <= now.millis());
        let made = made.min(now).max(now.plus_millis(-FIRST_LOOK_MOST_MS));
        state.since = state.since.or(Some(made.plus_millis(-FIRST_LOOK_MS)));
        let wanted = state.reread.map(Moment::millis);
        let stored = known.walk.take().filter(|walk| wanted.is_none() || walk.reread == wanted);
        let is_fresh = stored.is_none();
        let walk = stored.unwrap_or_else(|| begin(&known, &state, pull, now.millis()));
        Self { known, state, walk, is_fresh, reread_begun: None }
    }

    /// When the walk began.
    pub(super) fn began(&self) -> Moment {
        Moment::from_millis(self.walk.began)
    }

    /// To be kept; none if it is longer than can be.
    pub(super) fn keep(&self) -> Option<PullState> {
        let walk = (!self.is_fresh).then(|| self.walk.clone());
        let cursor = serde_json::to_string(&Known { walk, ..self.known.clone() }).ok()?;
        let fits = cursor.chars().count() <= MAX_PLACE_CHARS;
        fits.then(|| PullState { cursor, ..self.state.clone() })
    }

    /// The address of the next page.
    pub(super) fn address(&self, base: &Base, pull: &Pull) -> Result<Url, FillError> {
        let since = pull.since.write(Moment::from_millis(self.walk.since));
        let at = self.walk.at.as_str();
        if pull.next == NextPage::Link && !at.is_empty() {
            return base.follow(base.url(), at);
        }
        let (cursor, page) = match &pull.next {
            NextPage::Cursor(_) => (at, ""),
            NextPage::Page => ("", if at.is_empty() { "1" } else { at }),
            NextPage::Link | NextPage::None => ("", ""),
        };
        pull.from.fill(base, &[(Place::Since, &since), (Place::Cursor, cursor), (Place::Page, page)])
    }

    /// Whether the page that is asked for is behind another one.
    pub(super) fn is_behind_first(&self) -> bool {
        !self.walk.at.is_empty()
    }

    /// The `ETag` to ask with: of this address, of a list that had one page, and not for too long.
    pub(super) fn etag(&self, url: &Url, now: Moment) -> Option<&str> {
        let is_plain = self.is_fresh && !self.walk.is_deep();
        let (of, since) = self.known.tagged.as_ref().filter(|_| is_plain)?;
        let is_believed = *of == mark(url.as_str()) && (0..ETAG_MS).contains(&(now.millis() - since));
        Some(self.state.etag.as_str()).filter(|etag| is_believed && !etag.is_empty())
    }

    /// Whether it stands somewhere within a list, or at a mark of the other shop's.
    pub(super) fn stands_within(&self) -> bool {
        !self.is_fresh || !self.walk.at.is_empty()
    }

    /// Begins the list anew. A look back whose mark is no longer good is given up alone.
    pub(super) fn begin_anew(&mut self, now: Moment) {
        let was_deep = self.walk.is_deep();
        if was_deep {
            self.looked_back(now.millis());
            self.reread_begun = self.walk.reread.map(Moment::from_millis);
        } else {
            self.known.cursor.clear();
            self.known.behind = None;
            self.state.etag.clear();
            self.known.tagged = None;
        }
        self.is_fresh = true;
    }

    /// A page was taken whole; says whether there is another now.
    pub(super) fn turn(&mut self, pull: &Pull, page: &Turned, now: Moment) -> Result<bool, &'static str> {
        let was_first = std::mem::replace(&mut self.is_fresh, false);
        self.reread_begun = self.walk.reread.map(Moment::from_millis);
        self.look_at_their_clock(pull, page.date, now.millis());
        let walk = &mut self.walk;
        if walk.pages == 0 && walk.walks == 0 {
            walk.bound = page.date;
        }
        walk.pages += 1;
        walk.newest = walk.newest.max(page.newest.map(Moment::millis));
        walk.sum = walk.sum.wrapping_add(page.sum);
        if walk.pages > MAX_PAGES_A_WALK {
            return Err("its list never ends; it is begun anew");
        }
        let next = next(pull, walk, page);
        if is_mark(pull) && page.records > 0 {
            self.known.behind = Some(walk.at.clone());
        }
        walk.last.clone_from(&page.hash);
        if let Some(at) = next {
            if is_mark(pull) && !walk.is_deep() {
                self.known.cursor.clone_from(&at);
            }
            walk.at = at;
            self.known.tagged = None;
            return Ok(true);
        }
        Ok(self.end(pull, page, was_first, now.millis()))
    }

    /// What the other shop's clock shows is later each time, by as much as ours. If not, it was set back, and
    /// what is changed since then is before the mark.
    fn look_at_their_clock(&mut self, pull: &Pull, date: Option<i64>, now: i64) {
        let Some(date) = date else { return };
        let Some((theirs, ours)) = self.known.clock.replace((date, now)) else { return };
        let passed = (now - ours).max(0);
        // Behind by less than each walk reaches back, it hides nothing.
        let slack = pull.overlap.millis().max(CLOCK_SLACK_MS);
        if date + slack >= theirs + passed {
            return;
        }
        // At the earliest it was set back right after we last saw it, and maybe by more than is left of that.
        let from = (date - passed - UNSEEN_MS).max(date - MOST_SET_BACK_MS);
        // What was seen before stands later than what is to come, and the mark must not follow it.
        self.walk.bound = Some(self.walk.bound.map_or(from, |bound| bound.min(from)));
        if self.state.since.is_some_and(|mark| from < mark.millis()) {
            self.state.since = Some(Moment::from_millis(from));
            self.walk.is_set_back = true;
        }
    }

    /// A walk is at its end; whether another begins at once.
    fn end(&mut self, pull: &Pull, page: &Turned, was_first: bool, now: i64) -> bool {
        if is_mark(pull) {
            if let Some(start) = self.goes_further_back() {
                self.walk.at.clone_from(&start);
                self.walk = Walk { at: start.clone(), start, ..again(&self.walk) };
                return true;
            }
            let last = page.cursor.clone().unwrap_or_else(|| self.walk.at.clone());
            self.known.cursor = last;
        }
        if self.walk.is_set_back || self.list_went_back(pull) {
            self.is_fresh = true;
            self.walk = begin(&self.known, &self.state, pull, now);
            self.is_fresh = false;
            return true;
        }
        let mark = self.state.since.map_or(0, Moment::millis);
        // What is ahead of us is a wrong clock: to follow it would skip what comes once it is set right.
        let most = self.walk.began.min(self.walk.bound.unwrap_or(i64::MAX));
        let believed = self.walk.newest.map(|newest| newest.min(most));
        let moves = has_since(pull) && believed.is_some_and(|at| at > mark);
        if moves && !is_mark(pull) && self.walk.pages > 1 {
            self.walk.walks += 1;
            if self.walk.before != Some(self.walk.sum) && self.walk.walks < MAX_WALKS {
                let before = Some(self.walk.sum);
                self.walk = Walk { before, ..again(&self.walk) };
                return true;
            }
        }
        if believed.is_some_and(|at| at >= mark) {
            self.known.is_seen = true;
        }
        self.state.since = believed.map(Moment::from_millis).max(self.state.since);
        self.known.back = None;
        self.known.last = Some((self.walk.began, if has_since(pull) { self.walk.since } else { 0 }));
        self.looked_back(now);
        self.state.etag = page.etag.clone().filter(|_| was_first).unwrap_or_default();
        self.known.tagged = (!self.state.etag.is_empty()).then(|| (mark_of(page), now));
        self.is_fresh = true;
        false
    }

    /// The order that the mark is of stands in every walk. If it does not, the other shop was put back to an
    /// earlier state, or changed it by a clock that was set back: what came since may be before the mark.
    fn list_went_back(&mut self, pull: &Pull) -> bool {
        let mark = self.state.since.map_or(0, Moment::millis);
        let is_gone = self.walk.newest.is_none_or(|newest| newest < mark);
        if !has_since(pull) || is_mark(pull) || !self.known.is_seen || !is_gone {
            return false;
        }
        self.known.is_seen = false;
        self.known.back = Some(self.walk.newest.unwrap_or(mark) - UNSEEN_MS);
        self.state.since = self.walk.newest.map(Moment::from_millis).or(self.state.since);
        true
    }

    /// A look back by marks that finds nothing where there was something: the list was put back to an earlier
    /// state than the mark it began with. Then an earlier mark, at last the beginning.
    fn goes_further_back(&self) -> Option<String> {
        let walk = &self.walk;
        let is_empty = walk.is_deep() && walk.newest.is_none() && walk.sum == 0;
        if !is_empty || walk.start.is_empty() || walk.start == self.known.cursor {
            return None;
        }
        let week = self.known.week.as_ref().map(|look| look.cursor.clone()).unwrap_or_default();
        Some(if week == walk.start { String::new() } else { week })
    }

    /// The first walk counts as both looks.
    fn looked_back(&mut self, now: i64) {
        let look = Look { at: now, cursor: self.known.cursor.clone() };
        if self.walk.daily || self.known.day.is_none() {
            self.known.day = Some(look.clone());
        }
        if self.walk.weekly || self.known.week.is_none() {
            self.known.week = Some(look);
        }
    }
}

/// The same window once more.
fn again(walk: &Walk) -> Walk {
    let start = walk.start.clone();
    Walk { at: start, pages: 0, last: String::new(), sum: 0, before: None, ..walk.clone() }
}

/// A walk that begins now: from the mark, or further back where something wants it.
fn begin(known: &Known, state: &PullState, pull: &Pull, now: i64) -> Walk {
    let overlap = pull.overlap.millis();
    let can_look_back = has_since(pull) || is_mark(pull);
    // A look of the future was made by a wrong clock.
    let is_due = |look: &Option<Look>, every: i64| {
        can_look_back && every > 0 && look.as_ref().is_some_and(|l| !(0..every).contains(&(now - l.at)))
    };
    let (day, week) = (pull.daily.millis(), pull.weekly.millis());
    let (daily, weekly) = (is_due(&known.day, day), is_due(&known.week, week));
    let reread = state.reread.map(Moment::millis);
    let theirs = known.clock.map_or(now, |(theirs, ours)| theirs + (now - ours).max(0));
    let usual = state.since.map_or(0, Moment::millis) - overlap;
    let since = [
        daily.then(|| theirs.min(now) - reach(known.day.as_ref(), day, now) - overlap),
        weekly.then(|| theirs.min(now) - reach(known.week.as_ref(), week, now) - overlap),
        known.back.map(|back| back - overlap),
        reread,
    ];
    let since = since.into_iter().flatten().fold(usual, i64::min).max(0);
    let start = if is_mark(pull) { start(known, (daily, weekly), reread) } else { String::new() };
    Walk { at: start.clone(), start, since, began: now, daily, weekly, reread, ..Walk::default() }
}

/// How far back a look reaches: as the text says, or to the last such look if nobody looked for longer, and further
/// by as much as may have stood before that one unseen.
fn reach(last: Option<&Look>, span: i64, now: i64) -> i64 {
    let passed = last.map_or(0, |look| now - look.at);
    span.max(passed) + UNSEEN_MS
}

/// The mark to begin with: the last one, or that of an earlier look.
fn start(known: &Known, (daily, weekly): (bool, bool), reread: Option<i64>) -> String {
    let cursor = |look: Option<&Look>| look.map(|l| l.cursor.clone()).unwrap_or_default();
    // Where nothing came since, an empty list would say nothing.
    let before = |cursor: String| match &known.behind {
        Some(behind) if cursor == known.cursor => behind.clone(),
        _ => cursor,
    };
    let (day, week) = (known.day.as_ref(), known.week.as_ref());
    if let Some(since) = reread {
        let earlier = [day, week].into_iter().flatten().filter(|look| look.at <= since);
        return cursor(earlier.max_by_key(|look| look.at));
    }
    match (daily, weekly) {
        (_, true) => before(cursor(week)),
        (true, false) => before(cursor(day)),
        (false, false) => known.cursor.clone(),
    }
}

fn next(pull: &Pull, walk: &Walk, page: &Turned) -> Option<String> {
    let goes_on = page.records > 0 && page.hash != walk.last;
    match &pull.next {
        NextPage::Link => page.link.clone().filter(|link| goes_on && *link != walk.at),
        NextPage::Page if goes_on => {
            let number: u32 = if walk.at.is_empty() { 1 } else { walk.at.parse().unwrap_or(1) };
            Some((number + 1).to_string())
        }
        NextPage::Page | NextPage::None => None,
        NextPage::Cursor(_) => page.cursor.clone().filter(|c| *c != walk.at && goes_on),
    }
}

fn has_since(pull: &Pull) -> bool {
    pull.from.has(Place::Since)
}

/// Whether its cursor lasts.
fn is_mark(pull: &Pull) -> bool {
    matches!(pull.next, NextPage::Cursor(_)) && pull.cursor == Cursor::Mark
}

fn mark_of(page: &Turned) -> String {
    mark(page.from.as_str())
}

/// Whether a walk that began after `seen` is at its end and met all that was changed at `changed`, as a list
/// stands that is kept as `place`. One that began in the future began by a wrong clock, and says nothing.
pub(super) fn was_walked_since(
    place: &str,
    pull: &Pull,
    (seen, now): (Moment, Moment),
    changed: Moment,
) -> bool {
    let known: Known = serde_json::from_str(place).unwrap_or_default();
    !is_mark(pull)
        && known.last.is_some_and(|(began, since)| {
            began > seen.millis() && began <= now.millis() && since <= changed.millis()
        })
}

/// Whether what was changed at `changed` is before all that the last walk of a list kept as `place` asked for.
pub(super) fn has_left_window(place: &str, changed: Moment) -> bool {
    let known: Known = serde_json::from_str(place).unwrap_or_default();
    known.last.is_some_and(|(_, since)| since > changed.millis())
}

/// A few characters that tell one text from another.
pub(super) fn mark(text: &str) -> String {
    let hash = feeds::hash::file_hash(text.as_bytes()).unwrap_or_default();
    hash.get(..16).unwrap_or_default().to_owned()
}

/// What records add up to, each once, in whatever order.
pub(super) fn sum<'a>(records: impl Iterator<Item = &'a str>) -> u64 {
    let once: std::collections::BTreeSet<&str> = records.collect();
    once.into_iter().fold(0, |sum, text| sum.wrapping_add(u64::from_str_radix(&mark(text), 16).unwrap_or(1)))
}

#[cfg(test)]
mod tests;
