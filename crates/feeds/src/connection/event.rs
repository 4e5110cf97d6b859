//! Which webhooks are about orders, if a shop sends others to the same address.

use super::parts::{Read, Reader};
use super::raw::RawEvent;
use super::{ConnectionError, JsonPointer};
use crate::json_page::json_at;
use toml::Spanned;

/// The most kinds of events, and the longest name of one. Our own bounds.
const MAX_EVENTS: usize = 20;
const MAX_NAME: usize = 100;

/// What a webhook must be about. All others are answered with success and ignored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventFilter {
    /// Where the webhook names its kind.
    pub from: EventFrom,
    /// The kinds that are taken in.
    pub only: Vec<String>,
}

/// Where a webhook names its kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum EventFrom {
    /// In this header.
    Header(String),
    /// At this place in its body.
    At(JsonPointer),
}

impl EventFilter {
    /// Whether to take in a webhook. One that does not name its kind is ignored.
    pub fn takes(&self, headers: &[(String, String)], body: &[u8]) -> bool {
        let said = match &self.from {
            EventFrom::Header(name) => headers
                .iter()
                .find(|(n, _)| n.eq_ignore_ascii_case(name))
                .map(|(_, value)| value.trim().to_owned()),
            EventFrom::At(place) => json_at(body, place),
        };
        said.is_some_and(|said| self.only.contains(&said))
    }
}

impl Reader<'_> {
    pub(super) fn event(&self, raw: &Spanned<RawEvent>) -> Read<EventFilter> {
        let line = self.line(raw.span().start);
        let together = |why| ConnectionError::Together { line, table: "[hooks] event", why };
        let raw = raw.get_ref();
        let from = match (&raw.header, &raw.at) {
            (Some(header), None) => EventFrom::Header(self.header("[hooks] event.header", header)?),
            (None, at @ Some(_)) => {
                let place = self.pointer("[hooks] event.at", at.as_ref())?;
                EventFrom::At(place.ok_or_else(|| together("needs at"))?)
            }
            (Some(_), Some(_)) => return Err(together("has header and at; keep one of them")),
            (None, None) => {
                return Err(together("needs header or at, where a hook says what it is about"));
            }
        };
        if raw.only.is_empty() || raw.only.len() > MAX_EVENTS {
            return Err(together(
                "needs only, with 1 to 20 names of events, such as only = [\"order.paid\"]",
            ));
        }
        let mut only = Vec::with_capacity(raw.only.len());
        for name in &raw.only {
            let plain = name.get_ref().trim();
            if plain.is_empty() || plain.chars().count() > MAX_NAME || plain.chars().any(char::is_control) {
                return Err(self.wrong("[hooks] event.only", name, "write 1 to 100 characters"));
            }
            only.push(plain.to_owned());
        }
        Ok(EventFilter { from, only })
    }
}
