//! How far a list has been read. It is stored between cycles, so that any process goes on where the last one
//! ended.
//!
//! A list with `{since}` is read from its mark, the newest change that was seen, less the overlap. The mark
//! moves when a reading ends, and never past the moment when the reading began: what changed in the meantime
//! may be on a page that was already read. A list may also shift while it is read, so that an order moves from
//! a page still to come to one already read. So a reading of several pages that would move the mark is repeated
//! until two in a row meet the same records.

use super::turned::Turned;
use domain::day::Moment;
use feeds::connection::{Base, Cursor, FillError, NextPage, Place, Pull};
use ledger::online::{MAX_PLACE_CHARS, PullState};
use reqwest::Url;
use serde::{Deserialize, Serialize};

/// How far before the connection was made the first reading reaches. A shop whose clock is hours behind loses
/// nothing by it, and older orders are history, which is fed in as past orders.
const FIRST_LOOK_MS: i64 = DAY_MS;
/// A connection that nobody has served for longer than this was made with a wrong clock, or is history itself.
const FIRST_LOOK_MOST_MS: i64 = 60 * DAY_MS;
const DAY_MS: i64 = 24 * 60 * 60 * 1000;
/// How long the `ETag` of a first page is trusted for the whole list: a full page stays the same while another
/// is added after it.
const ETAG_MS: i64 = 15 * 60 * 1000;
/// Pages in one reading: a list with more never ends.
pub(super) const MAX_PAGES_A_WALK: u32 = 10_000;
/// How often a window is read until two readings in a row are the same. A list that never stands still is then
/// believed, and the daily look back finds what was missed.
const MAX_WALKS: u32 = 4;
/// How far the shop's clock may lag behind what we expect: answers are cached for a moment, and machines behind
/// one address differ a little.
const CLOCK_SLACK_MS: i64 = 60 * 1000;
/// How far back to read at most because a clock was set back; the weekly look reaches as far.
const MOST_SET_BACK_MS: i64 = 7 * DAY_MS;
/// How far the shop's clock may have been behind without anybody noticing. If it was set back and forward again
/// between two looks, it shows no trace, and an order from that time lies before everything that is read.
const UNSEEN_MS: i64 = DAY_MS;

/// A reading of a list's pages, stored between two of them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Walk {
    /// Where the next page is: an address below the base, a cursor, or a number.
    at: String,
    /// The cursor with which it began.
    #[serde(skip_serializing_if = "String::is_empty")]
    start: String,
    /// The value of `{since}` when it began.
    since: i64,
    /// When it began, by our clock, or the shop's if that is known.
    began: i64,
    bound: Option<i64>,
    /// The newest change that it met.
    newest: Option<i64>,
    pages: u32,
    /// Identifies the last page, to notice a shop that always sends the same one.
    last: String,
    /// A sum over all its records, and over those of the previous reading of the same window.
    sum: u64,
    before: Option<u64>,
    /// How many readings of the same window have ended.
    walks: u32,
    /// Whether it is the daily look back, or the weekly one.
    daily: bool,
    weekly: bool,
    /// The time from which a person wanted everything read again.
    reread: Option<i64>,
    /// Whether the shop's clock was found to be set back in the meantime.
    is_set_back: bool,
}

impl Walk {
    /// Whether it begins before the end of the previous one, for what was missed.
    fn is_deep(&self) -> bool {
        self.daily || self.weekly || self.reread.is_some()
    }
}

/// A look back, and the list's position at the time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Look {
    at: i64,
    #[serde(skip_serializing_if = "String::is_empty")]
    cursor: String,
}

/// How far a list is known.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Known {
    /// The shop's own mark, if it gives one that lasts.
    #[serde(skip_serializing_if = "String::is_empty")]
    cursor: String,
    /// The mark before that, after which the last records came: there must always be something after it.
    #[serde(skip_serializing_if = "Option::is_none")]
    behind: Option<String>,
    /// The reading that is not finished.
    #[serde(skip_serializing_if = "Option::is_none")]
    walk: Option<Walk>,
    /// The address that the `ETag` belongs to, and since when it is trusted.
    #[serde(skip_serializing_if = "Option::is_none")]
    tagged: Option<(String, i64)>,
    /// What the shop's clock last showed, and ours at the time.
    #[serde(skip_serializing_if = "Option::is_none")]
    clock: Option<(i64, i64)>,
    #[serde(skip_serializing_if = "Option::is_none")]
    day: Option<Look>,
    #[serde(skip_serializing_if = "Option::is_none")]
    week: Option<Look>,
    /// Whether the mark is the time of an order that was seen: then every reading meets that order again.
    is_seen: bool,
    /// When the last finished reading began, and its `{since}`.
    #[serde(skip_serializing_if = "Option::is_none")]
    last: Option<(i64, i64)>,
    /// The time from which the next reading starts, because the list itself went back.
    #[serde(skip_serializing_if = "Option::is_none")]
    back: Option<i64>,
}

/// A list's position while it is being read.
#[derive(Debug)]
pub(super) struct Position {
    known: Known,
    pub(super) state: PullState,
    walk: Walk,
    /// Whether no page of this reading was taken yet.
    is_fresh: bool,
    /// What a person wanted read again, and is being read by now.
    pub(super) reread_begun: Option<Moment>,
}

impl Position {
    /// From the stored state, or from when the connection was made: the first reading may come late, because
    /// the shop or this program was away, and must include what was bought in the meantime. A state that cannot
    /// be read is begun again: orders that come again change nothing.
    pub(super) fn of(mut state: PullState, pull: &Pull, made: Moment, now: Moment) -> Self {
        let mut known: Known = serde_json::from_str(&state.cursor).unwrap_or_default();
        // A reading that began after now began with a wrong clock. Even once it is that late, it says
        // nothing.
        known.last = known.last.filter(|(began, _)| *began <= now.millis());
        let made = made.min(now).max(now.plus_millis(-FIRST_LOOK_MOST_MS));
        state.since = state.since.or(Some(made.plus_millis(-FIRST_LOOK_MS)));
        let wanted = state.reread.map(Moment::millis);
        let stored = known.walk.take().filter(|walk| wanted.is_none() || walk.reread == wanted);
        let is_fresh = stored.is_none();
        let walk = stored.unwrap_or_else(|| begin(&known, &state, pull, now.millis()));
        Self { known, state, walk, is_fresh, reread_begun: None }
    }

    pub(super) fn began(&self) -> Moment {
        Moment::from_millis(self.walk.began)
    }

    /// The state to store; none if it is longer than can be stored.
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

    /// Whether the next page is not the first.
    pub(super) fn is_behind_first(&self) -> bool {
        !self.walk.at.is_empty()
    }

    /// The `ETag` to send: for this address, for a list with one page, and not for too long.
    pub(super) fn etag(&self, url: &Url, now: Moment) -> Option<&str> {
        let is_plain = self.is_fresh && !self.walk.is_deep();
        let (of, since) = self.known.tagged.as_ref().filter(|_| is_plain)?;
        let is_believed = *of == mark(url.as_str()) && (0..ETAG_MS).contains(&(now.millis() - since));
        Some(self.state.etag.as_str()).filter(|etag| is_believed && !etag.is_empty())
    }

    /// Whether it is somewhere within a list, or at a mark of the shop's own.
    pub(super) fn stands_within(&self) -> bool {
        !self.is_fresh || !self.walk.at.is_empty()
    }

    /// Begins the list again. A look back whose mark is no longer valid is given up alone.
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

    /// A page was taken completely; returns whether there is another now.
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

    /// The shop's clock should advance as much as ours. If it does not, it was set back, and what has changed
    /// since then lies before the mark.
    fn look_at_their_clock(&mut self, pull: &Pull, date: Option<i64>, now: i64) {
        let Some(date) = date else { return };
        let Some((theirs, ours)) = self.known.clock.replace((date, now)) else { return };
        let passed = (now - ours).max(0);
        // If it is behind by less than every reading reaches back, nothing is hidden.
        let slack = pull.overlap.millis().max(CLOCK_SLACK_MS);
        if date + slack >= theirs + passed {
            return;
        }
        // It may have been set back right after we last saw it, by more than what is left of that.
        let from = (date - passed - UNSEEN_MS).max(date - MOST_SET_BACK_MS);
        // What was seen before is later than what will come, and the mark must not follow it.
        self.walk.bound = Some(self.walk.bound.map_or(from, |bound| bound.min(from)));
        if self.state.since.is_some_and(|mark| from < mark.millis()) {
            self.state.since = Some(Moment::from_millis(from));
            self.walk.is_set_back = true;
        }
    }

    /// A reading ended; returns whether another begins at once.
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
        // A time ahead of ours comes from a wrong clock: following it would skip what comes once the clock
        // is right.
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

    /// Every reading should meet the order whose time is the mark. If it does not, the shop was restored to an
    /// earlier state, or changed the order with a clock that was set back. What came since may lie before the
    /// mark.
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

    /// A look back by marks that finds nothing where something was: the list was restored to a state before
    /// that mark. Then an earlier mark is used, and finally the beginning.
    fn goes_further_back(&self) -> Option<String> {
        let walk = &self.walk;
        let is_empty = walk.is_deep() && walk.newest.is_none() && walk.sum == 0;
        if !is_empty || walk.start.is_empty() || walk.start == self.known.cursor {
            return None;
        }
        let week = self.known.week.as_ref().map(|look| look.cursor.clone()).unwrap_or_default();
        Some(if week == walk.start { String::new() } else { week })
    }

    /// The first reading counts as both looks.
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

fn again(walk: &Walk) -> Walk {
    let start = walk.start.clone();
    Walk { at: start, pages: 0, last: String::new(), sum: 0, before: None, ..walk.clone() }
}

/// A reading that begins now: from the mark, or further back if needed.
fn begin(known: &Known, state: &PullState, pull: &Pull, now: i64) -> Walk {
    let overlap = pull.overlap.millis();
    let can_look_back = has_since(pull) || is_mark(pull);
    // A look in the future was made with a wrong clock.
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

/// How far back a look reaches: as the text says, or to the last such look if there was none for longer, plus
/// as much as may have been hidden before that one.
fn reach(last: Option<&Look>, span: i64, now: i64) -> i64 {
    let passed = last.map_or(0, |look| now - look.at);
    span.max(passed) + UNSEEN_MS
}

/// The mark to begin with: the last one, or that of an earlier look.
fn start(known: &Known, (daily, weekly): (bool, bool), reread: Option<i64>) -> String {
    let cursor = |look: Option<&Look>| look.map(|l| l.cursor.clone()).unwrap_or_default();
    // If nothing came since, an empty list would mean nothing.
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

/// Whether its cursor is a lasting mark.
fn is_mark(pull: &Pull) -> bool {
    matches!(pull.next, NextPage::Cursor(_)) && pull.cursor == Cursor::Mark
}

fn mark_of(page: &Turned) -> String {
    mark(page.from.as_str())
}

/// Whether a reading that began after `seen` has ended and met everything that changed at `changed`, given the
/// stored state `place`. One that began in the future had a wrong clock and says nothing.
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

/// Whether what changed at `changed` lies before everything that the last reading asked for, given the stored
/// state `place`.
pub(super) fn has_left_window(place: &str, changed: Moment) -> bool {
    let known: Known = serde_json::from_str(place).unwrap_or_default();
    known.last.is_some_and(|(_, since)| since > changed.millis())
}

/// A few characters that tell texts apart.
pub(super) fn mark(text: &str) -> String {
    let hash = feeds::hash::file_hash(text.as_bytes()).unwrap_or_default();
    hash.get(..16).unwrap_or_default().to_owned()
}

/// A sum over records, each counted once, in any order.
pub(super) fn sum<'a>(records: impl Iterator<Item = &'a str>) -> u64 {
    let once: std::collections::BTreeSet<&str> = records.collect();
    once.into_iter().fold(0, |sum, text| sum.wrapping_add(u64::from_str_radix(&mark(text), 16).unwrap_or(1)))
}

#[cfg(test)]
mod tests;
