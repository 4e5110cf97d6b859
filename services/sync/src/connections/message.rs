//! A message about one item, made from its current state, whatever has happened in between.

use super::client::{Ask, MAX_ANSWER_BYTES};
use super::runtime::ConnectionRuntime;
use crate::exchange::{line, state_of};
use domain::delivery::{Saying, message_key};
use domain::ids::{ConnectionId, ItemId};
use domain::stock::{Availability, ListingState};
use feeds::connection::{AnswerForm, Base, BatchCall, Call, ConnectionFile, FillError, Method, Out, Place};
use feeds::{Listing, ListingMessages, json_batch};
use ledger::CommandError;
use ledger::online::{Claimed, ListingRow, RemoteState};
use reqwest::Url;
use std::time::Instant;

/// Which of the connection's calls is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// For an item that changed.
    Tell,
    /// For a new listing.
    New,
    /// For an item that is gone.
    End,
}

impl Kind {
    pub(super) fn saying(self) -> Saying {
        match self {
            Self::Tell | Self::New => Saying::State,
            Self::End => Saying::End,
        }
    }
}

/// Who has claimed a message, and for how long.
#[derive(Clone, Copy, Debug)]
pub(super) struct InHand {
    pub(super) holder: i64,
    /// When it was claimed: every earlier try was over by then.
    pub(super) since: Instant,
    /// The last moment to begin a request for it.
    pub(super) begin_by: Instant,
}

#[derive(Debug)]
pub(super) struct Message {
    pub(super) item: ItemId,
    pub(super) in_hand: InHand,
    pub(super) tries: u32,
    pub(super) kind: Kind,
    pub(super) listing: Listing,
    /// Whether the stored id was forgotten because the listing is being created again.
    pub(super) has_forgotten_id: bool,
    pub(super) stood: RemoteState,
    /// Whether the shop's own id was found while sending it.
    pub(super) has_found_id: bool,
    pub(super) hash: String,
}

/// What to send for a claimed item.
#[derive(Debug)]
pub(super) enum ToSay {
    /// Nothing: it was never offered there, and is not now.
    Nothing {
        item: ItemId,
        revision: i64,
    },
    Message(Box<Message>),
}

/// The largest answer to a batch, in bytes; it may report on each of two hundred messages.
const MAX_BATCH_ANSWER_BYTES: usize = 1 << 20;

/// If the address cannot be made, the message cannot be sent.
pub(super) type Made<T> = Result<T, FillError>;

/// Decides what to say.
///
/// An item that was never sent and is no longer available needs no message, but only on its first try: an
/// earlier try without an answer may have created it after all.
pub(super) fn to_say(
    reach: &ConnectionRuntime,
    claimed: Claimed,
    in_hand: InHand,
    (row, stood): (ListingRow, RemoteState),
    image_base: Option<&str>,
) -> Result<ToSay, CommandError> {
    let line = line(row, image_base)?;
    let (item, listing, before) = (line.item, line.listing, line.before.state);
    let is_gone = state_of(listing.availability) == ListingState::Ended;
    if is_gone && before.is_none() && claimed.tries <= 1 {
        return Ok(ToSay::Nothing { item, revision: listing.revision });
    }
    let out = &reach.file.out;
    let kind = kind(out, is_gone, before);
    let hash = messages(out, call(out, kind)).hash(&listing);
    let message = Message {
        item,
        in_hand,
        tries: claimed.tries,
        kind,
        listing,
        has_forgotten_id: false,
        stood,
        has_found_id: false,
        hash,
    };
    Ok(ToSay::Message(Box::new(message)))
}

fn kind(out: &Out, is_gone: bool, before: Option<ListingState>) -> Kind {
    if is_gone && out.end.is_some() {
        return Kind::End;
    }
    // A removed listing must be created again; where nothing is removed, it still exists.
    let stands = match before {
        None => false,
        Some(ListingState::Listed) => true,
        Some(ListingState::Ended) => out.end.is_none(),
    };
    if stands || out.new.is_none() { Kind::Tell } else { Kind::New }
}

fn call(out: &Out, kind: Kind) -> &Call {
    match kind {
        Kind::Tell => &out.tell,
        Kind::New => out.new.as_ref().unwrap_or(&out.tell),
        Kind::End => out.end.as_ref().unwrap_or(&out.tell),
    }
}

/// What a call sends: its own messages, or those of `[out]`.
fn messages<'a>(out: &'a Out, call: &'a Call) -> &'a ListingMessages {
    call.messages.as_ref().unwrap_or(&out.messages)
}

impl Message {
    /// Whether a request that begins now could outlive its lease.
    pub(super) fn is_late(&self) -> bool {
        Instant::now() > self.in_hand.begin_by
    }

    /// Whether it is about a listing that can be created again if the shop has lost it.
    pub(super) fn can_be_made_anew(&self, out: &Out) -> bool {
        self.kind == Kind::Tell && out.new.is_some()
    }

    /// The listing's state once this is accepted.
    pub(super) fn state(&self) -> ListingState {
        state_of(self.listing.availability)
    }

    pub(super) fn address(&self, base: &Base, out: &Out) -> Made<Url> {
        let revision = self.listing.revision.to_string();
        let fillings = [
            (Place::Sku, self.listing.sku.as_str()),
            (Place::OtherId, self.stood.other_id.as_str()),
            (Place::Revision, revision.as_str()),
        ];
        call(out, self.kind).to.fill(base, &fillings)
    }

    /// The request, with a condition on the known state there.
    pub(super) fn ask(&self, connection: ConnectionId, base: &Base, out: &Out, etag: &str) -> Made<Ask> {
        let call = call(out, self.kind);
        let mut headers = vec![("idempotency-key", self.key(connection))];
        if !etag.is_empty() && self.kind != Kind::New {
            headers.push(("if-match", etag.to_owned()));
        }
        let body = (call.method != Method::Delete)
            .then(|| messages(out, call).write(&self.listing, &self.stood.other_id));
        if body.is_some() {
            headers.push(("content-type", "application/json".to_owned()));
        }
        let url = self.address(base, out)?;
        Ok(Ask { method: method(call.method), url, headers, body, limit: MAX_ANSWER_BYTES })
    }

    /// Quoted, as in the draft. The two special calls say something else at the same revision.
    fn key(&self, connection: ConnectionId) -> String {
        let key = message_key(connection, self.item, self.listing.revision);
        let of = match self.kind {
            Kind::Tell => "",
            Kind::New => "-new",
            Kind::End => "-end",
        };
        format!("\"{key}{of}\"")
    }

    /// Whether it may go into a batch.
    pub(super) fn fits_batch(&self, file: &ConnectionFile) -> bool {
        let out = &file.out;
        let needs_id = out.batch.as_ref().and_then(|b| b.messages.as_ref()).unwrap_or(&out.messages);
        if needs_id.needs_other_id() && self.stood.other_id.is_empty() {
            return false;
        }
        match self.kind {
            Kind::Tell => true,
            // If the answer must contain an id for us, it must answer this message alone.
            // The same goes for a call that sends something else than the others. If the answer reports on
            // each message, it has each one's id too.
            Kind::New => out.new.as_ref().is_none_or(|n| {
                let has_ids = file.answer.as_ref().is_some_and(AnswerForm::tells_other_id);
                n.messages.is_none() && (has_ids || n.id.is_none() && !file.needs_other_id())
            }),
            Kind::End => false,
        }
    }

    /// In a few words, for people.
    pub(super) fn words(&self) -> String {
        let availability = match self.listing.availability {
            Availability::InStock => "in stock",
            Availability::Reserved => "set aside",
            Availability::SoldOut => "sold out",
            Availability::Discontinued => "taken off",
        };
        format!(
            "{} {}: {availability}, revision {}",
            self.listing.sku, self.listing.text.name, self.listing.revision
        )
    }
}

pub(super) fn batch_ask(
    connection: ConnectionId,
    base: &Base,
    out: &Out,
    call: &BatchCall,
    messages: &[Message],
) -> Made<Ask> {
    let written = call.messages.as_ref().unwrap_or(&out.messages);
    let documents: Vec<Vec<u8>> =
        messages.iter().map(|m| written.write(&m.listing, &m.stood.other_id)).collect();
    let first = messages.first().map(|m| message_key(connection, m.item, m.listing.revision));
    let mut told: Vec<String> =
        messages.iter().map(|m| format!("{} {}", m.item, m.listing.revision)).collect();
    told.sort_unstable();
    // The same messages sent again have the same key, others have another.
    let all = feeds::hash::file_hash(told.join("\n").as_bytes()).unwrap_or_default();
    let key = format!("\"{}-{}\"", first.unwrap_or_default(), all.get(..16).unwrap_or_default());
    Ok(Ask {
        method: method(call.method),
        url: call.to.fill(base, &[])?,
        headers: vec![("idempotency-key", key), ("content-type", "application/json".to_owned())],
        body: Some(json_batch(&call.each, &documents)),
        limit: MAX_BATCH_ANSWER_BYTES,
    })
}

fn method(method: Method) -> reqwest::Method {
    match method {
        Method::Put => reqwest::Method::PUT,
        Method::Post => reqwest::Method::POST,
        Method::Patch => reqwest::Method::PATCH,
        Method::Delete => reqwest::Method::DELETE,
    }
}
