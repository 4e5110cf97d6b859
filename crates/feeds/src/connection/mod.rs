//! A connection: how an online shop is reached, as its TOML says it. Text in, checked types out; who
//! asks for an address, and with which secret, is another's work.

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

/// The longest connection in bytes: its layouts are most of it, and a feed given in its place is
/// refused before it is read.
pub const MAX_CONNECTION_BYTES: usize = 64 << 10;
/// Requests a second of one process at most: what a shop in the own network may be asked; one in the world is
/// asked far less.
pub const MAX_PER_SECOND: i64 = 10_000;
/// Requests a second if the file says nothing.
const PER_SECOND: i64 = 5;
/// Listings of one batch: one refused makes all of them be said one by one.
pub const MAX_AT_ONCE: i64 = 200;
/// Names of secrets that a hook may be signed with: the present one and those before it.
pub const MAX_HOOK_SECRETS: usize = 5;

/// What is wrong with a connection's text.
#[derive(Debug, thiserror::Error)]
pub enum ConnectionError {
    /// Longer than any.
    #[error("a connection has at most {MAX_CONNECTION_BYTES} bytes; is this the right file?")]
    TooLong,
    /// Not TOML, a key that no connection has, or one that is missing.
    #[error("line {line}: {}", source.message().replace('\n', " "))]
    Toml {
        /// The line, from 1.
        line: usize,
        /// What the reader says.
        #[source]
        source: Box<toml::de::Error>,
    },
    /// A value that the key cannot have.
    #[error("line {line}: {key} = \"{value}\": {why}")]
    Value {
        /// The line, from 1.
        line: usize,
        /// The key, with its table.
        key: String,
        /// What was given.
        value: String,
        /// What is wrong with it, and what to write.
        why: String,
    },
    /// Keys that do not go together.
    #[error("line {line}: {table} {why}")]
    Together {
        /// The line of the table, from 1.
        line: usize,
        /// The table.
        table: &'static str,
        /// What is missing or too much.
        why: &'static str,
    },
    /// Not a channel's code.
    #[error("line {line}: channel: {source}")]
    Channel {
        /// The line, from 1.
        line: usize,
        /// Why.
        #[source]
        source: NotAChannel,
    },
    /// A layout that cannot be used.
    #[error("line {line}: the layout of {table}: {source}")]
    Layout {
        /// The line that the layout begins on.
        line: usize,
        /// The table.
        table: &'static str,
        /// Why.
        #[source]
        source: LayoutError,
    },
    /// A layout for something else.
    #[error("line {line}: the layout of {table} must have {wanted}")]
    OtherLayout {
        /// The line that the layout begins on.
        line: usize,
        /// The table.
        table: &'static str,
        /// What it should have.
        wanted: &'static str,
    },
    /// A layout by which nothing can be written.
    #[error("line {line}: the layout of [out]: {source}")]
    Out {
        /// The line that the layout begins on.
        line: usize,
        /// Why.
        #[source]
        source: crate::JsonOutError,
    },
}

/// What a request asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// Put this in its place.
    Put,
    /// Take this in.
    Post,
    /// Change this of it.
    Patch,
    /// Take it away.
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

/// A request that tells of one item.
#[derive(Clone, Debug)]
pub struct Call {
    /// What it asks for.
    pub method: Method,
    /// Where.
    pub to: Address,
    /// Where the answer has the other shop's own id.
    pub id: Option<JsonPointer>,
    /// Where the refusal of what is there already has it; as `id` if none.
    pub known_id: Option<JsonPointer>,
    /// What it says, where that is something else than `[out]` itself says.
    pub messages: Option<ListingMessages>,
}

/// A request that tells of many items.
#[derive(Clone, Debug)]
pub struct BatchCall {
    /// What it asks for.
    pub method: Method,
    /// Where.
    pub to: Address,
    /// How many at once.
    pub at_once: usize,
    /// Where the list of them stands in the request.
    pub each: JsonPointer,
    /// What each of them says, where that is something else than a message of its own.
    pub messages: Option<ListingMessages>,
}

/// A JSON Pointer (RFC 6901).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JsonPointer(pub(crate) Pointer);

/// What goes out.
#[derive(Clone, Debug)]
pub struct Out {
    /// How each item is told.
    pub tell: Call,
    /// How one is told that was never told before; as the others if none.
    pub new: Option<Call>,
    /// How one is told that is gone; as the others if none.
    pub end: Option<Call>,
    /// How many are told at once, if they are.
    pub batch: Option<BatchCall>,
    /// Whether what can be sold is listed by itself.
    pub lists_new_pieces: bool,
    /// What is said.
    pub messages: ListingMessages,
}

/// How a list goes on behind its first page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NextPage {
    /// By the header `Link` with `rel="next"` (RFC 8288).
    Link,
    /// By a text in the page, which goes into `{cursor}`.
    Cursor(JsonPointer),
    /// By counting `{page}` up until one is empty.
    Page,
    /// There is one page.
    None,
}

/// What a cursor is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cursor {
    /// A place within one walk over the list: each walk begins without one.
    Page,
    /// A lasting mark in a list that only grows: each walk begins where the last one ended.
    Mark,
}

/// A list that is asked for.
#[derive(Clone, Debug)]
pub struct Pull {
    /// Where.
    pub from: Address,
    /// How it goes on.
    pub next: NextPage,
    /// The status by which a page behind the last one is refused; an empty one if none.
    pub past_end: Option<u16>,
    /// What its cursor is, if it goes on by one.
    pub cursor: Cursor,
    /// How often.
    pub every: Span,
    /// How far back `{since}` reaches behind the newest change that was seen.
    pub overlap: Span,
    /// How `{since}` is written.
    pub since: SinceFormat,
    /// How far back a walk reaches once a day, for what was missed; not at all if it is nothing.
    pub daily: Span,
    /// The same, once a week.
    pub weekly: Span,
    /// Where each listing has the other shop's own id of it.
    pub other_id: Option<JsonPointer>,
    /// Where one order alone is asked for by its number, or one listing by its sku.
    pub one: Option<Address>,
    /// How a page is read.
    pub layout: Layout,
}

/// How a hook is signed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Signed {
    /// Standard Webhooks 1.0.0.
    Standard {
        /// How far its clock and ours may be apart.
        tolerance: Span,
    },
    /// HMAC-SHA256 of the body, as hex or base64.
    Header {
        /// In which header.
        name: String,
    },
}

/// Hooks that come in.
#[derive(Clone, Debug)]
pub struct Hooks {
    /// The names of the secrets that one may be signed with.
    pub secrets: Vec<SecretName>,
    /// How.
    pub signed: Signed,
    /// Which of them are about orders; all if none.
    pub event: Option<EventFilter>,
    /// How an order in it is read.
    pub layout: Layout,
    /// Whether the layout is the orders' own, where a list is around what stands alone in a hook.
    pub layout_of_orders: bool,
}

/// A connection as its text says it.
#[derive(Clone, Debug)]
pub struct ConnectionFile {
    /// Where its sales are booked.
    pub channel: Channel,
    /// What every address is below.
    pub base: Base,
    /// Whether the host may be one of the owner's own network, without TLS.
    pub private: bool,
    /// Requests a second at most.
    pub per_second: u32,
    /// How we show who we are.
    pub secret: Option<SecretUse>,
    /// Headers that go with each request, in small letters.
    pub headers: Vec<(String, String)>,
    /// A file with certificates that are believed besides the world's.
    pub ca_file: Option<PathBuf>,
    /// What goes out.
    pub out: Out,
    /// How an answer tells of each message, if it does.
    pub answer: Option<AnswerForm>,
    /// Orders that are asked for.
    pub orders: Option<Pull>,
    /// Orders that come by themselves.
    pub hooks: Option<Hooks>,
    /// What the other shop says it lists.
    pub listed: Option<Pull>,
}

impl ConnectionFile {
    /// Reads a connection's TOML.
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

    /// The list that can tell whether a listing is there and, where its id is needed, what its id is.
    pub fn telling_list(&self) -> Option<&Pull> {
        self.listed.as_ref().filter(|listed| listed.other_id.is_some() || !self.needs_other_id())
    }

    /// Whether a listing is named by the other shop's own id where it is told of or ended.
    pub fn needs_other_id(&self) -> bool {
        let ends = self.out.end.as_ref().is_some_and(|end| end.to.has(Place::OtherId));
        ends || self.out.tell.to.has(Place::OtherId)
    }

    /// What is said of an item: the whole of it, or its stock alone.
    pub fn message_of(&self) -> MessageOf {
        self.out.messages.of()
    }
}
