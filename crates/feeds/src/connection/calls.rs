//! `[out]`: which call is used for what.

use super::parts::{Read, Reader};
use super::raw::{RawBatch, RawCall, RawOut, Text};
use super::{BatchCall, Call, ConnectionError, JsonPointer, MAX_AT_ONCE, Method, Out, Place};
use crate::fields::Feed;
use crate::json_out::{ListingMessages, MessageOf};
use crate::layout::{Layout, Pointer};
use toml::Spanned;

/// Listings per batch if the file does not say.
const AT_ONCE: i64 = 50;
/// The placeholders in an item's address.
const OF_ITEM: &[Place] = &[Place::Sku, Place::OtherId, Place::Revision];

/// What `[out]` sends unless a call says something else.
struct Usual {
    of: MessageOf,
    layout: Option<Layout>,
    /// The line of the layout, or of the table if it has none.
    line: usize,
}

impl Reader<'_> {
    pub(super) fn out(&self, raw: &Spanned<RawOut>) -> Read<Out> {
        let line = self.line(raw.span().start);
        let raw = raw.get_ref();
        let usual = Usual {
            of: self.message("[out] message", raw.message.as_ref(), MessageOf::Listing)?,
            layout: raw.layout.as_ref().map(|text| self.out_layout(text)).transpose()?,
            line: raw.layout.as_ref().map_or(line, |l| self.line(l.span().start)),
        };
        let tell = Call {
            method: self.method("[out] method", raw.method.as_ref(), Method::Put)?,
            to: self.address("[out] to", &raw.to, OF_ITEM)?,
            id: None,
            known_id: None,
            messages: None,
        };
        let new = raw.new.as_ref().map(|c| self.new_call(c, &usual)).transpose()?;
        if tell.to.has(Place::OtherId) && new.as_ref().is_none_or(|c| c.to.has(Place::OtherId)) {
            let why =
                "asks for {other_id} in to, which is only known once new has told of an item without it";
            return Err(ConnectionError::Together { line, table: "[out]", why });
        }
        Ok(Out {
            tell,
            new,
            end: raw.end.as_ref().map(|c| self.end_call(c, &usual)).transpose()?,
            batch: raw.batch.as_ref().map(|b| self.batch(b, &usual)).transpose()?,
            lists_new_pieces: self.word(
                "[out] new_pieces",
                raw.new_pieces.as_ref(),
                false,
                &[("wait", false), ("list", true)],
            )?,
            messages: messages(usual.layout.as_ref(), usual.of, usual.line)?,
        })
    }

    fn message(&self, key: &str, text: Option<&Text>, usual: MessageOf) -> Read<MessageOf> {
        self.word(key, text, usual, &[("listing", MessageOf::Listing), ("stock", MessageOf::Stock)])
    }

    fn out_layout(&self, text: &Text) -> Read<Layout> {
        let wanted = "feed = \"listings\" and format = \"json\"";
        self.layout("[out]", Some(text), Feed::Listings, wanted)
    }

    /// The messages of a call; none if they are those of `[out]`.
    fn own_messages(
        &self,
        call: &str,
        (message, layout): (Option<&Text>, Option<&Text>),
        usual: &Usual,
    ) -> Read<Option<ListingMessages>> {
        if message.is_none() && layout.is_none() {
            return Ok(None);
        }
        let of = self.message(&format!("[out] {call}.message"), message, usual.of)?;
        let line = layout.or(message).map_or(usual.line, |text| self.line(text.span().start));
        let own = layout.map(|text| self.out_layout(text)).transpose()?;
        messages(own.as_ref().or(usual.layout.as_ref()), of, line).map(Some)
    }

    fn new_call(&self, raw: &RawCall, usual: &Usual) -> Read<Call> {
        Ok(Call {
            method: self.method("[out] new.method", raw.method.as_ref(), Method::Post)?,
            to: self.address("[out] new.to", &raw.to, &[Place::Sku, Place::Revision])?,
            id: self.pointer("[out] new.id", raw.id.as_ref())?,
            known_id: self.pointer("[out] new.known_id", raw.known_id.as_ref())?,
            messages: self.own_messages("new", (raw.message.as_ref(), raw.layout.as_ref()), usual)?,
        })
    }

    fn end_call(&self, raw: &RawCall, usual: &Usual) -> Read<Call> {
        if let Some(id) = raw.id.as_ref().or(raw.known_id.as_ref()) {
            return Err(self.wrong("[out] end.id", id, "what has ended has no id; take it out"));
        }
        let known = [
            ("DELETE", Method::Delete),
            ("PUT", Method::Put),
            ("POST", Method::Post),
            ("PATCH", Method::Patch),
        ];
        let method = self.word("[out] end.method", raw.method.as_ref(), Method::Delete, &known)?;
        if let (Method::Delete, Some(text)) = (method, raw.message.as_ref().or(raw.layout.as_ref())) {
            let line = self.line(text.span().start);
            let why = "end has message or layout, but a DELETE says nothing; give it another method, or take them out";
            return Err(ConnectionError::Together { line, table: "[out]", why });
        }
        Ok(Call {
            method,
            to: self.address("[out] end.to", &raw.to, OF_ITEM)?,
            id: None,
            known_id: None,
            messages: self.own_messages("end", (raw.message.as_ref(), raw.layout.as_ref()), usual)?,
        })
    }

    fn batch(&self, raw: &RawBatch, usual: &Usual) -> Read<BatchCall> {
        let at_once = self.number("[out] batch.at_once", raw.at_once.as_ref(), 2..=MAX_AT_ONCE, AT_ONCE)?;
        let each = self.pointer("[out] batch.each", raw.each.as_ref())?;
        Ok(BatchCall {
            method: self.method("[out] batch.method", raw.method.as_ref(), Method::Post)?,
            to: self.address("[out] batch.to", &raw.to, &[])?,
            at_once: usize::try_from(at_once).unwrap_or(2),
            each: each.unwrap_or(JsonPointer(Pointer::default())),
            messages: self.own_messages("batch", (raw.message.as_ref(), raw.layout.as_ref()), usual)?,
        })
    }
}

fn messages(layout: Option<&Layout>, of: MessageOf, line: usize) -> Read<ListingMessages> {
    ListingMessages::new(layout, of).map_err(|source| ConnectionError::Out { line, source })
}
