//! Turns a connection's tables into checked values.

use super::raw::{Number, RawHooks, RawListed, RawOrders, Text};
use super::{
    Address, ConnectionError, Cursor, Hooks, JsonPointer, MAX_HOOK_SECRETS, Method, NextPage, Place, Pull,
    Signed, SinceFormat, Span,
};
use crate::fields::Feed;
use crate::layout::{Format, Layout, Pointer};
use std::ops::RangeInclusive;
use toml::Spanned;

pub(super) type Read<T> = Result<T, ConnectionError>;

/// How often orders may be fetched.
const ORDERS_EVERY: RangeInclusive<Span> = Span::seconds(5)..=Span::seconds(24 * 3600);
/// How often listings may be compared: reading everything costs the online shop something.
const LISTED_EVERY: RangeInclusive<Span> = Span::seconds(60)..=Span::seconds(7 * 24 * 3600);
/// How far back a fetch may reach.
const OVERLAP: RangeInclusive<Span> = Span::seconds(0)..=Span::seconds(7 * 24 * 3600);
/// How far back the daily and weekly reading may reach.
const DAILY: RangeInclusive<Span> = Span::seconds(0)..=Span::seconds(7 * 24 * 3600);
const WEEKLY: RangeInclusive<Span> = Span::seconds(0)..=Span::seconds(60 * 24 * 3600);
/// How far a webhook's clock may differ from ours: the reference libraries allow 5 minutes, and a
/// repeated webhook is recognized for a week.
const TOLERANCE: RangeInclusive<Span> = Span::seconds(30)..=Span::seconds(24 * 3600);

/// A page that does not exist is refused with a client error (RFC 9110, 15.5).
const PAST_END: RangeInclusive<i64> = 400..=499;

/// The keys that both lists have.
struct RawPull<'a> {
    from: &'a Text,
    next: Option<&'a Text>,
    cursor_at: Option<&'a Text>,
    line: usize,
    table: &'static str,
}

/// Reads the parts of one text, so that every error can name its line.
pub(super) struct Reader<'a>(pub(super) &'a str);

impl Reader<'_> {
    pub(super) fn line(&self, at: usize) -> usize {
        self.0.get(..at).unwrap_or_default().matches('\n').count() + 1
    }

    pub(super) fn wrong(&self, key: &str, text: &Text, why: impl Into<String>) -> ConnectionError {
        let value = crate::reject::shortened(text.get_ref());
        ConnectionError::Value {
            line: self.line(text.span().start),
            key: key.to_owned(),
            value,
            why: why.into(),
        }
    }

    /// Hides a password that somebody put into the address by mistake.
    pub(super) fn wrong_base(&self, text: &Text, why: &str) -> ConnectionError {
        let mut error = self.wrong("base", text, why);
        if let (true, ConnectionError::Value { value, .. }) = (text.get_ref().contains('@'), &mut error) {
            "…".clone_into(value);
        }
        error
    }

    pub(super) fn word<T: Copy>(
        &self,
        key: &str,
        text: Option<&Text>,
        default: T,
        known: &[(&str, T)],
    ) -> Read<T> {
        let Some(text) = text else { return Ok(default) };
        let found = known.iter().find(|(word, _)| word == text.get_ref()).map(|(_, value)| *value);
        let words = || known.iter().map(|(word, _)| *word).collect::<Vec<_>>().join(", ");
        found.ok_or_else(|| self.wrong(key, text, format!("use one of {}", words())))
    }

    pub(super) fn number(
        &self,
        key: &str,
        number: Option<&Number>,
        range: RangeInclusive<i64>,
        default: i64,
    ) -> Read<u32> {
        let value = number.map_or(default, |n| *n.get_ref());
        let fits = range.contains(&value).then(|| u32::try_from(value).ok()).flatten();
        fits.ok_or_else(|| ConnectionError::Value {
            line: self.line(number.map_or(0, |n| n.span().start)),
            key: key.to_owned(),
            value: value.to_string(),
            why: format!("use {} to {}", range.start(), range.end()),
        })
    }

    pub(super) fn span(
        &self,
        key: &str,
        text: Option<&Text>,
        range: &RangeInclusive<Span>,
        default: Span,
    ) -> Read<Span> {
        let Some(text) = text else { return Ok(default) };
        let span = Span::parse(text.get_ref()).filter(|s| range.contains(s));
        let why =
            || format!("write a time such as 30s, 10m or 6h, from {} to {}", range.start(), range.end());
        span.ok_or_else(|| self.wrong(key, text, why()))
    }

    pub(super) fn address(&self, key: &str, text: &Text, allowed: &[Place]) -> Read<Address> {
        Address::parse(text.get_ref(), allowed).map_err(|why| self.wrong(key, text, why))
    }

    pub(super) fn pointer(&self, key: &str, text: Option<&Text>) -> Read<Option<JsonPointer>> {
        let Some(text) = text else { return Ok(None) };
        let pointer = Pointer::parse(text.get_ref());
        let pointer = pointer.ok_or_else(|| self.wrong(key, text, "write a JSON Pointer, such as /ref"))?;
        Ok(Some(JsonPointer(pointer)))
    }

    pub(super) fn method(&self, key: &str, text: Option<&Text>, default: Method) -> Read<Method> {
        let known = [("PUT", Method::Put), ("POST", Method::Post), ("PATCH", Method::Patch)];
        self.word(key, text, default, &known)
    }

    pub(super) fn layout(
        &self,
        table: &'static str,
        text: Option<&Text>,
        feed: Feed,
        wanted: &'static str,
    ) -> Read<Layout> {
        let Some(text) = text else { return Ok(Layout::built_in(feed, Format::Json)) };
        let line = self.line(text.span().start);
        let layout = Layout::parse(text.get_ref()).map_err(|source| ConnectionError::Layout {
            line,
            table,
            source,
        })?;
        if layout.feed() != feed || layout.format() != Format::Json || layout.names_channel() {
            return Err(ConnectionError::OtherLayout { line, table, wanted });
        }
        Ok(layout)
    }

    pub(super) fn orders(&self, raw: &Spanned<RawOrders>) -> Read<Pull> {
        let line = self.line(raw.span().start);
        let raw = raw.get_ref();
        let (next, cursor_at) = (raw.next.as_ref(), raw.cursor_at.as_ref());
        let pull = RawPull { from: &raw.from, next, cursor_at, line, table: "[orders]" };
        let wanted = "feed = \"orders\" and format = \"json\", and no channel: the connection has one";
        Ok(Pull {
            from: self.address("[orders] from", &raw.from, &[Place::Cursor, Place::Since, Place::Page])?,
            cursor: self.cursor(&pull, raw.cursor.as_ref())?,
            next: self.next(&pull)?,
            past_end: self.past_end(&pull, raw.past_end.as_ref())?,
            every: self.span("[orders] every", raw.every.as_ref(), &ORDERS_EVERY, Span::seconds(60))?,
            overlap: self.span("[orders] overlap", raw.overlap.as_ref(), &OVERLAP, Span::seconds(600))?,
            since: self.since(raw, line)?,
            daily: self.span("[orders] daily", raw.daily.as_ref(), &DAILY, Span::seconds(24 * 3600))?,
            weekly: self.span(
                "[orders] weekly",
                raw.weekly.as_ref(),
                &WEEKLY,
                Span::seconds(7 * 24 * 3600),
            )?,
            other_id: None,
            one: raw.one.as_ref().map(|one| self.one(one)).transpose()?,
            layout: self.layout("[orders]", raw.layout.as_ref(), Feed::Orders, wanted)?,
        })
    }

    pub(super) fn listed(&self, raw: &Spanned<RawListed>) -> Read<Pull> {
        let line = self.line(raw.span().start);
        let raw = raw.get_ref();
        let (next, cursor_at) = (raw.next.as_ref(), raw.cursor_at.as_ref());
        let pull = RawPull { from: &raw.from, next, cursor_at, line, table: "[listed]" };
        let wanted = "feed = \"listings\" and format = \"json\"";
        let other_id = self.pointer("[listed] other_id", raw.other_id.as_ref())?;
        let mut layout = self.layout("[listed]", raw.layout.as_ref(), Feed::Listings, wanted)?;
        if let Some(place) = &other_id {
            layout.also_has(place);
        }
        Ok(Pull {
            from: self.address("[listed] from", &raw.from, &[Place::Cursor, Place::Page])?,
            next: self.next(&pull)?,
            past_end: self.past_end(&pull, raw.past_end.as_ref())?,
            every: self.span("[listed] every", raw.every.as_ref(), &LISTED_EVERY, Span::seconds(6 * 3600))?,
            // Listings are compared as a whole: every reading begins at the beginning.
            cursor: Cursor::Page,
            overlap: Span::seconds(0),
            since: SinceFormat::default(),
            daily: Span::seconds(0),
            weekly: Span::seconds(0),
            other_id,
            one: raw.one.as_ref().map(|one| self.one_listing(one)).transpose()?,
            layout,
        })
    }

    /// With `{since}` every reading begins anew unless the text says otherwise: an old cursor with a
    /// later `{since}` would skip what lies before it.
    fn cursor(&self, raw: &RawPull<'_>, cursor: Option<&Text>) -> Read<Cursor> {
        let has_since = raw.from.get_ref().contains("{since}");
        let usual = if has_since { Cursor::Page } else { Cursor::Mark };
        let Some(text) = cursor else { return Ok(usual) };
        if raw.next.is_none_or(|next| next.get_ref() != "cursor") {
            let why = "has cursor, which is only for next = \"cursor\"";
            return Err(ConnectionError::Together { line: raw.line, table: raw.table, why });
        }
        if text.get_ref().starts_with('/') {
            let why = "cursor says what a cursor is, page or mark; write where the page has the next one as cursor_at";
            return Err(self.wrong("[orders] cursor", text, why));
        }
        self.word("[orders] cursor", cursor, usual, &[("page", Cursor::Page), ("mark", Cursor::Mark)])
    }

    /// The first page is never past the end, so only counted pages can be.
    fn past_end(&self, raw: &RawPull<'_>, status: Option<&Number>) -> Read<Option<u16>> {
        let Some(status) = status else { return Ok(None) };
        if raw.next.is_none_or(|next| next.get_ref() != "page") {
            let why = "has past_end, which is only for next = \"page\"";
            return Err(ConnectionError::Together { line: raw.line, table: raw.table, why });
        }
        let code = self.number(&format!("{} past_end", raw.table), Some(status), PAST_END, 0)?;
        Ok(u16::try_from(code).ok())
    }

    fn one_listing(&self, text: &Text) -> Read<Address> {
        let one = self.address("[listed] one", text, &[Place::Sku])?;
        if one.has(Place::Sku) {
            return Ok(one);
        }
        Err(self.wrong("[listed] one", text, "say which one by {sku}, such as /listings?code={sku}"))
    }

    fn one(&self, text: &Text) -> Read<Address> {
        let address = self.address("[orders] one", text, &[Place::OrderNumber])?;
        if address.has(Place::OrderNumber) {
            return Ok(address);
        }
        Err(self.wrong("[orders] one", text, "write {orderNumber} where the order's number goes"))
    }

    fn next(&self, raw: &RawPull<'_>) -> Read<NextPage> {
        let together = |why| ConnectionError::Together { line: raw.line, table: raw.table, why };
        let known = [("link", 0), ("cursor", 1), ("page", 2), ("none", 3)];
        let key = format!("{} next", raw.table);
        let next = match (self.word(&key, raw.next, 3, &known)?, raw.cursor_at) {
            (1, cursor_at) => {
                let pointer = self.pointer(&format!("{} cursor_at", raw.table), cursor_at)?;
                NextPage::Cursor(pointer.ok_or_else(|| {
                    together("with next = \"cursor\" needs cursor_at, such as cursor_at = \"/next\"")
                })?)
            }
            (_, Some(_)) => return Err(together("has cursor_at, which is only for next = \"cursor\"")),
            (0, None) => NextPage::Link,
            (2, None) => NextPage::Page,
            _ => NextPage::None,
        };
        let has = |place: Place| raw.from.get_ref().contains(&format!("{{{}}}", place.code()));
        match (&next, has(Place::Cursor), has(Place::Page)) {
            (NextPage::Cursor(_), false, _) => Err(together("with next = \"cursor\" needs {cursor} in from")),
            (NextPage::Page, _, false) => Err(together("with next = \"page\" needs {page} in from")),
            (NextPage::Link | NextPage::Page | NextPage::None, true, _) => {
                Err(together("has {cursor} in from, which is only for next = \"cursor\""))
            }
            (NextPage::Link | NextPage::Cursor(_) | NextPage::None, _, true) => {
                Err(together("has {page} in from, which is only for next = \"page\""))
            }
            _ => Ok(next),
        }
    }

    pub(super) fn hooks(&self, raw: &Spanned<RawHooks>, orders: Option<&Pull>) -> Read<Hooks> {
        let together = |why| {
            let line = self.line(raw.span().start);
            ConnectionError::Together { line, table: "[hooks]", why }
        };
        let raw = raw.get_ref();
        if raw.secret.is_empty() || raw.secret.len() > MAX_HOOK_SECRETS {
            return Err(together("needs the names of 1 to 5 secrets, such as secret = [\"village-hook\"]"));
        }
        let known = [("standard", true), ("header", false)];
        let is_standard = self.word("[hooks] signed", raw.signed.as_ref(), true, &known)?;
        let signed = match (is_standard, &raw.header) {
            (true, None) => {
                let tolerance = raw.tolerance.as_ref();
                Signed::Standard {
                    tolerance: self.span("[hooks] tolerance", tolerance, &TOLERANCE, Span::seconds(300))?,
                }
            }
            (false, Some(_)) if raw.tolerance.is_some() => {
                return Err(together("has tolerance, but a plain header has no time in it; take it out"));
            }
            (false, Some(header)) => Signed::Header { name: self.header("[hooks] header", header)? },
            (false, None) => {
                return Err(together(
                    "with signed = \"header\" needs header, such as header = \"X-Signature\"",
                ));
            }
            (true, Some(_)) => return Err(together("has header, which is only for signed = \"header\"")),
        };
        let wanted = "feed = \"orders\" and format = \"json\", and no channel: the connection has one";
        let layout = match (&raw.layout, orders) {
            (None, Some(orders)) => orders.layout.clone(),
            (text, _) => self.layout("[hooks]", text.as_ref(), Feed::Orders, wanted)?,
        };
        Ok(Hooks {
            secrets: raw.secret.iter().map(|s| self.name("[hooks] secret", s)).collect::<Read<_>>()?,
            signed,
            event: raw.event.as_ref().map(|e| self.event(e)).transpose()?,
            layout,
            layout_of_orders: raw.layout.is_none(),
        })
    }
}
