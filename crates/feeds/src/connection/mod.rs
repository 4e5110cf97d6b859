//! A connection: a TOML text that describes an online shop's API, read and checked. Sending requests
//! and reading secrets is the caller's job.

mod address;
mod answer;
mod calls;
mod event;
mod headers;
#[cfg(test)]
mod keys_tests;
mod parts;
mod raw;
mod secret;
mod since;
mod span;
#[cfg(test)]
mod tests;

pub use address::{Address, Base, FillError, Filling, Place};
pub use answer::{AnswerForm, ItemResult, Outcome};
pub use event::{EventFilter, EventFrom};
pub use secret::{ClientIn, SecretAs, SecretName, SecretUse, TokenGrant};
pub use since::SinceFormat;
pub use span::Span;

use crate::json_out::{ListingMessages, MessageOf};
use crate::layout::{Layout, LayoutError, Pointer};
use domain::channel::{Channel, NotAChannel};
use parts::Reader;
use raw::RawConnection;
use std::path::PathBuf;

/// The longest connection, in bytes. Most of it is layouts; if somebody gives a feed by mistake, it is
/// refused before it is read.
pub const MAX_CONNECTION_BYTES: usize = 64 << 10;
/// The most requests a second from one process: enough for a shop on one's own network. A shop on the
/// internet gets far fewer.
pub const MAX_PER_SECOND: i64 = 100_000;
/// Requests a second if the file does not say.
const PER_SECOND: i64 = 5;
/// The most listings in one batch: if a batch is refused, all of them are sent one by one.
pub const MAX_AT_ONCE: i64 = 200;
/// The most secrets that can sign a webhook: the current one and earlier ones.
pub const MAX_HOOK_SECRETS: usize = 5;

/// What is wrong with a connection's text.
#[derive(Debug, thiserror::Error)]
pub enum ConnectionError {
    /// Longer than [`MAX_CONNECTION_BYTES`].
    #[error("a connection has at most {MAX_CONNECTION_BYTES} bytes; is this the right file?")]
    TooLong,
    /// Not TOML, or an unknown or missing key.
    #[error("line {line}: {}", source.message().replace('\n', " "))]
    Toml {
        /// The line, from 1.
        line: usize,
        /// The TOML reader's message.
        #[source]
        source: Box<toml::de::Error>,
    },
    /// A value that the key cannot have.
    #[error("line {line}: {key} = \"{value}\": {why}")]
    Value {
        /// The line, from 1.
        line: usize,
        /// The key with its table.
        key: String,
        /// The value as written.
        value: String,
        /// What is wrong, and what to write.
        why: String,
    },
    /// Keys that cannot be used together, or that need another.
    #[error("line {line}: {table} {why}")]
    Together {
        /// The line of the table, from 1.
        line: usize,
        /// The table's name.
        table: &'static str,
        /// What is missing or too much.
        why: &'static str,
    },
    /// Not a channel code.
    #[error("line {line}: channel: {source}")]
    Channel {
        /// The line, from 1.
        line: usize,
        /// What is wrong with it.
        #[source]
        source: NotAChannel,
    },
    /// A layout that cannot be used.
    #[error("line {line}: the layout of {table}: {source}")]
    Layout {
        /// The line on which the layout begins, from 1.
        line: usize,
        /// The table's name.
        table: &'static str,
        /// What is wrong with it.
        #[source]
        source: LayoutError,
    },
    /// A layout for another kind of feed.
    #[error("line {line}: the layout of {table} must have {wanted}")]
    OtherLayout {
        /// The line on which the layout begins, from 1.
        line: usize,
        /// The table's name.
        table: &'static str,
        /// What the layout must have.
        wanted: &'static str,
    },
    /// A layout that cannot write messages.
    #[error("line {line}: the layout of [out]: {source}")]
    Out {
        /// The line on which the layout begins, from 1.
        line: usize,
        /// What is wrong with it.
        #[source]
        source: crate::JsonOutError,
    },
}

/// The method of a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// Replaces what is there.
    Put,
    /// Hands something over.
    Post,
    /// Changes a part of what is there.
    Patch,
    /// Removes what is there.
    Delete,
}

impl Method {
    /// As HTTP writes it.
    pub fn code(self) -> &'static str {
        match self {
            Self::Put => "PUT",
            Self::Post => "POST",
            Self::Patch => "PATCH",
            Self::Delete => "DELETE",
        }
    }
}

/// A request about one item.
#[derive(Clone, Debug)]
pub struct Call {
    /// PUT, POST, PATCH or DELETE.
    pub method: Method,
    /// The address, with placeholders.
    pub to: Address,
    /// Where the answer has the online shop's own id.
    pub id: Option<JsonPointer>,
    /// Where the answer has that id if it refuses because the listing already exists; as `id` if none.
    pub known_id: Option<JsonPointer>,
    /// The messages of this call, if they differ from those of `[out]`.
    pub messages: Option<ListingMessages>,
}

/// A request about many items.
#[derive(Clone, Debug)]
pub struct BatchCall {
    /// PUT, POST, PATCH or DELETE.
    pub method: Method,
    /// The address, which has no placeholders of items.
    pub to: Address,
    /// The most items in one request.
    pub at_once: usize,
    /// Where the list of items is in the request.
    pub each: JsonPointer,
    /// The messages in the list, if they differ from those about one item.
    pub messages: Option<ListingMessages>,
}

/// A JSON Pointer (RFC 6901).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JsonPointer(pub(crate) Pointer);

/// `[out]`: what is sent.
#[derive(Clone, Debug)]
pub struct Out {
    /// The call about an item that changed.
    pub tell: Call,
    /// The call about an item that is not listed yet; `tell` if none.
    pub new: Option<Call>,
    /// The call about an item that is gone; `tell` if none.
    pub end: Option<Call>,
    /// The call about many items, if there is one.
    pub batch: Option<BatchCall>,
    /// Whether new pieces are listed without being chosen.
    pub lists_new_pieces: bool,
    /// What the messages contain.
    pub messages: ListingMessages,
}

/// How to get the next page of a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NextPage {
    /// From the `Link` header with `rel="next"` (RFC 8288).
    Link,
    /// From a value on the page, which is filled in for `{cursor}`.
    Cursor(JsonPointer),
    /// By counting `{page}` up until a page is empty.
    Page,
    /// There is only one page.
    None,
}

/// What a cursor stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cursor {
    /// A place within one reading of the list: every reading begins without one.
    Page,
    /// A lasting mark in a list that only grows: every reading begins where the last one ended.
    Mark,
}

/// A list that is fetched.
#[derive(Clone, Debug)]
pub struct Pull {
    /// The address of the first page, with placeholders.
    pub from: Address,
    /// How to get the next page.
    pub next: NextPage,
    /// The HTTP status for a page past the end; an empty page if none.
    pub past_end: Option<u16>,
    /// What its cursor stands for, if it has one.
    pub cursor: Cursor,
    /// How often the list is read.
    pub every: Span,
    /// How far before the newest known change `{since}` lies.
    pub overlap: Span,
    /// The format of `{since}`.
    pub since: SinceFormat,
    /// How far back to read once a day, in case something was missed; 0 turns it off.
    pub daily: Span,
    /// How far back to read once a week; 0 turns it off.
    pub weekly: Span,
    /// Where each listing has the online shop's own id.
    pub other_id: Option<JsonPointer>,
    /// The address of a single order or listing.
    pub one: Option<Address>,
    /// How a page is read.
    pub layout: Layout,
}

/// How a webhook is signed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Signed {
    /// Standard Webhooks 1.0.0.
    Standard {
        /// How far its clock may differ from ours.
        tolerance: Span,
    },
    /// An HMAC-SHA256 of the body in a header, in hex or base64.
    Header {
        /// The name of the header.
        name: String,
    },
}

/// Webhooks.
#[derive(Clone, Debug)]
pub struct Hooks {
    /// The secrets with which a webhook may be signed.
    pub secrets: Vec<SecretName>,
    /// How it is signed.
    pub signed: Signed,
    /// Which webhooks are about orders; all of them if none.
    pub event: Option<EventFilter>,
    /// How an order in it is read.
    pub layout: Layout,
    /// Whether this is the layout of `[orders]`, in which orders are in a list; in a webhook there is
    /// one order.
    pub layout_of_orders: bool,
}

/// A connection as its text describes it.
#[derive(Clone, Debug)]
pub struct ConnectionFile {
    /// The channel of the shop's orders.
    pub channel: Channel,
    /// The address below which all others are.
    pub base: Base,
    /// Whether the host may be on the owner's own network, without TLS.
    pub private: bool,
    /// The most requests a second.
    pub per_second: u32,
    /// How requests are authenticated; not at all if none.
    pub secret: Option<SecretUse>,
    /// Headers of every request, with names in lowercase.
    pub headers: Vec<(String, String)>,
    /// A file with certificates that are trusted in addition to the usual ones.
    pub ca_file: Option<PathBuf>,
    /// What is sent.
    pub out: Out,
    /// How an answer reports on each message, if it does.
    pub answer: Option<AnswerForm>,
    /// The list of orders.
    pub orders: Option<Pull>,
    /// Webhooks with orders.
    pub hooks: Option<Hooks>,
    /// The list of what the shop lists.
    pub listed: Option<Pull>,
}

impl ConnectionFile {
    /// Reads and checks a connection's text.
    pub fn parse(text: &str) -> Result<Self, ConnectionError> {
        if text.len() > MAX_CONNECTION_BYTES {
            return Err(ConnectionError::TooLong);
        }
        let reader = Reader(text);
        let raw: RawConnection = crate::toml_text::read(text).map_err(|source| {
            let line = reader.line(source.span().map_or(0, |s| s.start));
            ConnectionError::Toml { line, source: Box::new(source) }
        })?;
        let channel = Channel::parse(raw.channel.get_ref()).map_err(|source| {
            let line = reader.line(raw.channel.span().start);
            ConnectionError::Channel { line, source }
        })?;
        let base =
            Base::parse(raw.base.get_ref(), raw.private).map_err(|why| reader.wrong_base(&raw.base, why))?;
        let orders = raw.orders.as_ref().map(|o| reader.orders(o)).transpose()?;
        Ok(Self {
            channel,
            base,
            private: raw.private,
            per_second: reader.number(
                "per_second",
                raw.per_second.as_ref(),
                1..=MAX_PER_SECOND,
                PER_SECOND,
            )?,
            secret: raw.secret.as_ref().map(|s| reader.secret(s, raw.private)).transpose()?,
            headers: reader.headers(&raw.headers)?,
            ca_file: raw.ca_file.as_ref().map(|path| reader.ca_file(path)).transpose()?,
            out: reader.out(&raw.out)?,
            answer: raw.answer.as_ref().map(|a| reader.answer(a)).transpose()?,
            hooks: raw.hooks.as_ref().map(|h| reader.hooks(h, orders.as_ref())).transpose()?,
            listed: raw.listed.as_ref().map(|l| reader.listed(l)).transpose()?,
            orders,
        })
    }

    /// The list that can tell whether a listing exists and, where needed, what its id is.
    pub fn telling_list(&self) -> Option<&Pull> {
        self.listed.as_ref().filter(|listed| listed.other_id.is_some() || !self.needs_other_id())
    }

    /// Whether the address of a changed or ended listing has the online shop's own id in it.
    pub fn needs_other_id(&self) -> bool {
        let ends = self.out.end.as_ref().is_some_and(|end| end.to.has(Place::OtherId));
        ends || self.out.tell.to.has(Place::OtherId)
    }

    /// Whether messages have the whole listing or its stock only.
    pub fn message_of(&self) -> MessageOf {
        self.out.messages.of()
    }
}
