//! Fetches orders.
//!
//! The position in the list moves on only when a whole page is taken in or kept, one page at a time; orders
//! that come twice change nothing.

use super::client::{Answer, Ask, CallError, NoBody};
use super::cycle::{ConnectionContext, quiet_of_fetch};
use super::intake::{From, Read};
use super::place::{Position, mark, prints};
use super::turned::Turned;
use domain::day::Moment;
use domain::delivery::{Reply, back_off};
use domain::order::IncomingOrder;
use feeds::connection::{FillError, NextPage, Pull};
use feeds::{FeedError, PageReading, Parsed, json_at, kept_text, orders_of_page};
use ledger::CommandError;
use ledger::online::{ClaimPull, MAX_PLACE_CHARS, NoteContact, PullOf, SettlePull, TroubleOf};
use reqwest::Url;

/// Pages in one cycle; then messages and other lists get their turn.
const MAX_PAGES_A_ROUND: usize = 50;
/// How often in a row a position within a list may be refused before the list is begun again: a mark that is no
/// longer valid must not end all fetching.
const REFUSED_PLACES: u32 = 3;

/// Why a page was not taken.
#[derive(Debug, thiserror::Error)]
pub(super) enum PageError {
    #[error("the address of its {what} cannot be made: {source}")]
    Address {
        what: &'static str,
        #[source]
        source: FillError,
    },
    #[error("its {what}: {source}")]
    NoAnswer {
        what: &'static str,
        #[source]
        source: CallError,
    },
    #[error("its {what}: {words}")]
    Status { what: &'static str, reply: Reply, words: String },
    #[error("its {what} is larger than the limit; ask for smaller pages")]
    TooLong { what: &'static str },
    #[error("its {what} broke off: {why}")]
    Broken { what: &'static str, why: String },
    #[error("its {what} came as {found} and not as JSON; is the address right?")]
    NotJson { what: &'static str, found: String },
    #[error("its {what} cannot be read: {source}")]
    Unreadable {
        what: &'static str,
        #[source]
        source: FeedError,
    },
    #[error("its {what}: {why}")]
    Endless { what: &'static str, why: &'static str },
    #[error(
        "its {what}: the place in the list has more than {MAX_PLACE_CHARS} characters and cannot be kept"
    )]
    LongPlace { what: &'static str },
    #[error("its {what}: {words}")]
    NotKept { what: &'static str, words: String },
}

impl PageError {
    pub(super) fn reply(&self) -> Reply {
        match self {
            Self::NoAnswer { source, .. } => source.reply(),
            Self::Status { reply, .. } => *reply,
            _ => Reply::Status { code: 200, retry_after: None },
        }
    }

    /// Whether the shop works, but asks us to wait.
    pub(super) fn asks_to_wait(&self) -> bool {
        matches!(self, Self::Status { reply: Reply::Status { code: 429 | 503, .. }, .. })
    }

    /// Whether there is no such page because the list ended before it.
    pub(super) fn is_past_end(&self, pull: &Pull, position: &Position) -> bool {
        let Self::Status { reply: Reply::Status { code, .. }, .. } = self else { return false };
        position.is_behind_first() && pull.past_end == Some(*code)
    }

    /// Whether it is the position that is refused.
    fn refuses_place(&self) -> bool {
        let refused =
            matches!(self, Self::Status { reply: Reply::Status { code: 400 | 404 | 410 | 422, .. }, .. });
        refused || matches!(self, Self::Endless { .. } | Self::LongPlace { .. } | Self::Address { .. })
    }
}

/// A page as it came; none if nothing has changed.
pub(super) struct Page {
    pub(super) answer: Answer,
    pub(super) body: Vec<u8>,
}

/// Fetches a page, and accepts only one that is complete and JSON.
pub(super) async fn fetch(
    hand: &ConnectionContext<'_>,
    what: &'static str,
    url: Url,
    etag: Option<&str>,
) -> Result<Option<Page>, PageError> {
    let mut ask = Ask::page(url);
    if let Some(etag) = etag {
        ask.headers.push(("if-none-match", etag.to_owned()));
    }
    let answer = hand.client.ask(ask, hand.ledger.now()).await;
    let mut answer = answer.map_err(|source| PageError::NoAnswer { what, source })?;
    if answer.status == 304 && etag.is_some() {
        return Ok(None);
    }
    if !(200..300).contains(&answer.status) {
        return Err(PageError::Status { what, reply: answer.reply(), words: answer.words() });
    }
    let kind = answer.content_type.as_deref().unwrap_or("application/json");
    let kind = kind.split(';').next().unwrap_or_default().trim();
    let may_be_json = kind.ends_with("json") || matches!(kind, "text/plain" | "application/octet-stream");
    if !may_be_json {
        return Err(PageError::NotJson { what, found: kind.chars().take(60).collect() });
    }
    let body = std::mem::replace(&mut answer.body, Ok(Vec::new())).map_err(|no| match no {
        NoBody::TooLong => PageError::TooLong { what },
        NoBody::Broken(why) => PageError::Broken { what, why },
    })?;
    Ok(Some(Page { answer, body }))
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Behind {
    Page,
    /// Nothing: everything was taken.
    Nothing,
    /// Unknown: something failed.
    StorageError,
}

/// Why orders are fetched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Why {
    /// It is time.
    Due,
    /// Somebody wants it now.
    Wanted,
    /// What is about to be sent is only right if all orders are known.
    ReliedOn,
}

/// Fetches orders; returns whether everything was taken.
pub(super) async fn poll(hand: &ConnectionContext<'_>, why: Why) -> Result<bool, CommandError> {
    let Some(pull) = &hand.reach.file.orders else { return Ok(false) };
    let mut early = why != Why::Due;
    for page in 0..MAX_PAGES_A_ROUND {
        // The first page is always fetched: messages that use up the rate limit must not delay orders.
        if page > 0 && hand.reach.rate.take(1, hand.ledger.now()) == 0 {
            return Ok(false);
        }
        let holder = hand.ledger.new_holder()?;
        let claim = ClaimPull { connection: hand.connection.id, what: PullOf::Orders, holder, early };
        let Some(state) = hand.ledger.execute(None, &claim).await?.answer else {
            hand.reach.rate.give_back(usize::from(page > 0));
            return Ok(false);
        };
        if page == 0 {
            hand.reach.rate.owe();
        }
        early = false;
        let made = Moment::from_millis(hand.connection.id.made_ms());
        let mut position = Position::of(state, pull, made, hand.ledger.now());
        if why == Why::ReliedOn && page == 0 {
            position.look_back_now(pull, hand.ledger.now());
        }
        let turned = one_page(hand, pull, &mut position).await;
        match settle(hand, pull, holder, position, turned).await? {
            Behind::Page => {}
            Behind::Nothing => return Ok(true),
            Behind::StorageError => return Ok(false),
        }
    }
    Ok(false)
}

const WHAT: &str = "list of orders";

/// Takes one page; returns whether there is another now.
async fn one_page(
    hand: &ConnectionContext<'_>,
    pull: &Pull,
    position: &mut Position,
) -> Result<Result<bool, PageError>, CommandError> {
    let url = match position.address(&hand.reach.file.base, pull) {
        Ok(url) => url,
        Err(source) => return Ok(Err(PageError::Address { what: WHAT, source })),
    };
    let etag = position.etag(&url, hand.ledger.now()).map(str::to_owned);
    let page = match fetch(hand, WHAT, url.clone(), etag.as_deref()).await {
        Ok(Some(page)) => page,
        Ok(None) => return Ok(Ok(false)),
        Err(error) if error.is_past_end(pull, position) => {
            let turned = position.turn(pull, &Turned::not_there(url), hand.ledger.now());
            return Ok(turned.map_err(|why| PageError::Endless { what: WHAT, why }));
        }
        Err(error) => return Ok(Err(error)),
    };
    let reading = PageReading { layout: &pull.layout, currency: hand.shop.currency, zone: &hand.shop.zone };
    let orders = match orders_of_page(&page.body, reading) {
        Ok(orders) => orders,
        Err(source) => return Ok(Err(PageError::Unreadable { what: WHAT, source })),
    };
    let changed = |p: &Parsed<IncomingOrder>| p.value.modified.unwrap_or(p.value.ordered);
    let text = |read: &Read| match read {
        Ok(parsed) => kept_text(&parsed.rows),
        Err(reject) => kept_text(reject.rows()),
    };
    let texts: Vec<String> = orders.iter().map(text).collect();
    let turned = Turned {
        from: url,
        link: page.answer.next,
        cursor: match &pull.next {
            NextPage::Cursor(place) => json_at(&page.body, place),
            _ => None,
        },
        records: orders.len(),
        hash: mark(&feeds::hash::file_hash(page.body.as_slice()).unwrap_or_default()),
        prints: prints(texts.iter().map(String::as_str)),
        newest: orders.iter().flatten().map(changed).max(),
        etag: page.answer.any_etag,
        date: page.answer.date,
    };
    let from = From { walk_began: Some(position.began()), ..hand.from() };
    match from.take(orders).await {
        Ok(_) => {}
        Err(CommandError::Rejected(rejection)) => {
            return Ok(Err(PageError::NotKept { what: WHAT, words: words::rejection(&rejection) }));
        }
        Err(trouble) => return Err(trouble),
    }
    let turned = position.turn(pull, &turned, hand.ledger.now());
    Ok(turned.map_err(|why| PageError::Endless { what: WHAT, why }))
}

/// Stores the position and when to fetch again; returns what comes after the page.
async fn settle(
    hand: &ConnectionContext<'_>,
    pull: &Pull,
    holder: i64,
    mut position: Position,
    turned: Result<Result<bool, PageError>, CommandError>,
) -> Result<Behind, CommandError> {
    let now = hand.ledger.now();
    let mut told = turned?;
    let mut kept = position.keep();
    if told.is_ok() && kept.is_none() {
        told = Err(PageError::LongPlace { what: WHAT });
    }
    let (next, words, behind) = match &told {
        Ok(more) => {
            hand.reach.answered();
            position.state.fails = 0;
            kept = position.keep();
            let contact = NoteContact { connection: hand.connection.id, of: TroubleOf::Orders };
            hand.ledger.execute(None, &contact).await?;
            let next = if *more { now } else { now.plus_millis(pull.every.millis()) };
            (next, None, if *more { Behind::Page } else { Behind::Nothing })
        }
        Err(error) => {
            position.state.fails = position.state.fails.saturating_add(1);
            let is_stuck = position.stands_within() && position.state.fails >= REFUSED_PLACES;
            if error.refuses_place() && is_stuck || kept.is_none() {
                position.begin_anew(now);
            }
            kept = position.keep();
            let next = try_again(hand, pull, position.state.fails, error.reply());
            (next, Some(error.to_string()), Behind::StorageError)
        }
    };
    let Some(state) = kept else { return Ok(Behind::StorageError) };
    let (connection, what, reread_begun) = (hand.connection.id, PullOf::Orders, position.reread_begun);
    let settle = SettlePull { connection, what, holder, state, next, words, reread_begun };
    hand.ledger.execute(None, &settle).await?;
    if let Err(error) = told {
        quiet_of_fetch(hand, error.reply(), error.to_string()).await?;
    }
    Ok(behind)
}

/// Waits longer each time, and never less than usual.
pub(super) fn try_again(hand: &ConnectionContext<'_>, pull: &Pull, fails: u32, reply: Reply) -> Moment {
    let wait = back_off(fails, hand.dice(), reply);
    hand.after(wait.max(pull.every.duration()))
}
