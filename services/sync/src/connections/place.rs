//! How far a list has been read. It is stored between cycles, so that any process goes on where the last one
//! ended.
//!
//! A list with `{since}` is read from its mark, the newest change that was seen, less the overlap. The mark
//! moves when a reading ends, and never past the moment when the reading began: what changed in the meantime
//! may be on a page that was already read. A list may also shift while it is read, so that an order moves from
//! a page still to come to one already read. So a reading of several pages that would move the mark is repeated
//! until two in a row meet the same records.
//!
//! A list with marks is read on from the last mark. A look back begins just before the last records that the
//! previous look met, and must meet some of them again. If it does not, the shop was restored from a backup, and
//! an earlier look or the beginning of the list is tried.

mod look;
mod trail;
mod walk;

use super::turned::Turned;
use domain::day::Moment;
use feeds::connection::{Base, Cursor, FillError, NextPage, Place, Pull};
use ledger::online::{MAX_PLACE_CHARS, PullState};
use look::Look;
use reqwest::Url;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use trail::Trail;
use walk::Walk;

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
/// A first reading or a look back over marks that paused for longer starts over: the shop may have been restored
/// in the meantime, and its list may have grown past the place where the reading paused.
const MOST_REST_MS: i64 = 60 * 60 * 1000;
/// How long a look back is recent enough to be relied on.
const MOMENT_MS: i64 = 60 * 1000;

/// How far a list is known.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct Known {
    /// The shop's own mark, if it gives one that lasts.
    #[serde(skip_serializing_if = "String::is_empty")]
    cursor: String,
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
        let mut walk = stored.unwrap_or_else(|| begin(&known, &state, pull, now.millis()));
        let has_rested = !is_fresh && !(0..=MOST_REST_MS).contains(&(now.millis() - walk.turned));
        if is_mark(pull) && has_rested && (walk.is_deep() || known.day.is_none()) {
            walk = walk.again();
        }
        Self { known, state, walk, is_fresh, reread_begun: None }
    }

    /// Looks back at once over a list with marks, unless it just did: whoever relies on its orders must know those
    /// that came after the shop was restored.
    pub(super) fn look_back_now(&mut self, pull: &Pull, now: Moment) {
        let is_wanted = is_mark(pull) && !self.walk.is_deep();
        let Some(day) = self.known.day.as_mut().filter(|_| is_wanted) else { return };
        if (0..MOMENT_MS).contains(&(now.millis() - day.at)) {
            return;
        }
        day.at = now.millis() - pull.daily.millis();
        self.walk = begin(&self.known, &self.state, pull, now.millis());
        self.is_fresh = true;
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

    /// Begins the list again. A look back whose mark is no longer valid tries an earlier one before it is given up.
    pub(super) fn begin_anew(&mut self, now: Moment) {
        self.reread_begun = self.walk.reread.map(Moment::from_millis);
        if let Some(start) = self.earlier_start() {
            self.walk = Walk { start, ..self.walk.clone() }.again();
            (self.is_fresh, self.state.fails) = (false, 0);
            return;
        }
        if self.walk.is_deep() {
            self.give_looks_up(now.millis());
        } else {
            self.known.cursor.clear();
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
        walk.turned = now.millis();
        walk.newest = walk.newest.max(page.newest.map(Moment::millis));
        walk.sum = page.prints.iter().fold(walk.sum, |sum, print| sum.wrapping_add(*print));
        if walk.pages > MAX_PAGES_A_WALK {
            return Err("its list never ends; it is begun anew");
        }
        let next = next(pull, walk, page);
        if is_mark(pull) {
            walk.trail.note(&walk.at, &page.prints);
            let mut looks = [&self.known.day, &self.known.week].into_iter().flatten();
            walk.trail.is_proven |= looks.any(|l| l.cursor == walk.start && l.is_met(&page.prints));
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
            if let Some(start) = self.earlier_start().filter(|_| self.is_lost()) {
                self.walk = Walk { start, ..self.walk.clone() }.again();
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
                self.walk = Walk { before, ..self.walk.again() };
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

    /// Whether a look back over marks met none of the records that it should have met: the list was restored to a
    /// state before its mark.
    fn is_lost(&self) -> bool {
        let walk = &self.walk;
        let looks = [&self.known.day, &self.known.week];
        let is_known = looks.into_iter().flatten().any(|l| l.cursor == walk.start && !l.seen.is_empty());
        if is_known { !walk.trail.is_proven } else { walk.sum == 0 && walk.start != self.known.cursor }
    }

    /// Where a look back over marks can begin instead: at an earlier mark, and finally at the beginning.
    fn earlier_start(&self) -> Option<String> {
        let walk = &self.walk;
        if !walk.is_deep() || walk.start.is_empty() {
            return None;
        }
        let week = self.known.week.as_ref().map(|look| look.cursor.clone()).unwrap_or_default();
        Some(if week == walk.start { String::new() } else { week })
    }

    /// The first reading counts as both looks.
    fn looked_back(&mut self, now: i64) {
        let Trail { behind, seen, .. } = &self.walk.trail;
        let cursor = if seen.is_empty() { &self.known.cursor } else { behind };
        let look = Look { at: now, cursor: cursor.clone(), seen: seen.clone() };
        if self.walk.daily || self.known.day.is_none() {
            self.known.day = Some(look.clone());
        }
        if self.walk.weekly || self.known.week.is_none() {
            self.known.week = Some(look);
        }
    }

    /// The next look back is due as if this one had ended, and must still meet the same records.
    fn give_looks_up(&mut self, now: i64) {
        let looks = [(self.walk.daily, &mut self.known.day), (self.walk.weekly, &mut self.known.week)];
        let made = looks.into_iter().filter(|(is_made, _)| *is_made);
        for look in made.filter_map(|(_, look)| look.as_mut()) {
            look.at = now;
        }
    }
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
    let trail = Trail::from(start.clone());
    Walk { at: start.clone(), start, since, began: now, daily, weekly, reread, trail, ..Walk::default() }
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
    let (day, week) = (known.day.as_ref(), known.week.as_ref());
    if let Some(since) = reread {
        let earlier = [day, week].into_iter().flatten().filter(|look| look.at <= since);
        return cursor(earlier.max_by_key(|look| look.at));
    }
    match (daily, weekly) {
        (_, true) => cursor(week),
        (true, false) => cursor(day),
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

/// Identifies records, each once, in any order.
pub(super) fn prints<'a>(records: impl Iterator<Item = &'a str>) -> BTreeSet<u64> {
    records.map(|text| u64::from_str_radix(&mark(text), 16).unwrap_or(1)).collect()
}

#[cfg(test)]
mod tests;
