//! Sends a message, and decides what its answer means.

mod batch;

pub(super) use batch::many;

use super::client::{Answer, Ask, MAX_ANSWER_BYTES};
use super::cycle::ConnectionContext;
use super::look::{self, Looked};
use super::message::{Kind, Message};
use super::orders;
use super::results::{self, OnOne};
use crate::chain::tell_all;
use domain::delivery::{NoAnswer, Reply, Verdict, back_off, is_gone, says_gone, stale_too_often, verdict};
use domain::ids::ItemId;
use domain::stock::{Availability, ListingState};
use feeds::connection::{FillError, Place};
use feeds::json_at;
use ledger::CommandError;
use ledger::online::{ForgetId, LearnIds, Settled, SettledAs};

/// How many messages in a row may fail before the whole connection pauses: as many as are on their way at once,
/// so that a single bad message does not stop the others.
const FAILS_IN_A_ROW: usize = super::drain::AT_ONCE + 1;

#[derive(Debug)]
pub(super) struct Said {
    pub(super) holder: i64,
    pub(super) settled: Vec<Settled>,
    /// The reply for which the whole connection must pause, and its words.
    pub(super) quiet: Option<(Reply, String)>,
}

impl Said {
    pub(super) fn one(holder: i64, settled: Settled) -> Self {
        Self { holder, settled: vec![settled], quiet: None }
    }
}

/// The meaning of an answer, or of none, and its words.
struct Heard {
    reply: Reply,
    words: String,
    answer: Option<Answer>,
    /// The shop's own id, if the answer gave it for this message.
    other_id: Option<String>,
}

impl Heard {
    fn nothing_known(words: String) -> Self {
        Self { reply: Reply::NoAnswer(NoAnswer::Unknown), words, answer: None, other_id: None }
    }
}

async fn hear(hand: &ConnectionContext<'_>, ask: Ask) -> Heard {
    match hand.client.ask(ask, hand.ledger.now()).await {
        // A web page that reports success comes from a closed shop or a sign-in page: whether the message
        // arrived is unknown.
        Ok(answer) if answer.is_page_for_people() => {
            let words =
                format!("it answered {} with a page for people; is the address right?", answer.status);
            Heard::nothing_known(words)
        }
        Ok(answer) => {
            Heard { reply: answer.reply(), words: answer.words(), answer: Some(answer), other_id: None }
        }
        Err(error) => Heard { reply: error.reply(), words: error.to_string(), answer: None, other_id: None },
    }
}

/// The answer to a message about something that should exist. If the shop says that it does not, we doubt it
/// for a while if a message depends on it, because the answer may come from another program.
async fn hear_of(hand: &ConnectionContext<'_>, message: &Message, ask: Ask) -> Heard {
    let heard = on_itself(hand, message, hear(hand, ask).await);
    let depends_on_it = message.kind == Kind::End || message.can_be_made_anew(&hand.reach.file.out);
    if !says_gone(heard.reply) {
        hand.reach.not_gone(message.item);
        return heard;
    }
    let is_its_own_word = heard.answer.as_ref().is_some_and(Answer::is_its_own_word);
    if !depends_on_it || is_its_own_word || is_gone(hand.reach.gone(message.item)) {
        return heard;
    }
    let words = format!("{}, not in words of its own; it may be there all the same", heard.words);
    Heard::nothing_known(words)
}

/// What the answer says about this message, if it reports on each. A 207 that does not mention it does not mean
/// success.
fn on_itself(hand: &ConnectionContext<'_>, message: &Message, heard: Heard) -> Heard {
    let Some(answer) = &heard.answer else { return heard };
    let form = hand.reach.file.answer.as_ref();
    let found = form.zip(results::of(form, answer)).map(|(form, all)| {
        let count = all.len();
        results::on(form, &all, (0, count.min(1)), message, answer)
    });
    let (code, words) = match found {
        Some(Some(OnOne { reply, words, other_id })) => return Heard { reply, words, other_id, ..heard },
        // The answer reports on others, but not on this one.
        Some(None) => (422, format!("it answered {} and says nothing of this one", answer.status)),
        None if answer.status == 207 && form.is_some() => {
            (422, "it answered 207 without the list that [answer] each names".to_owned())
        }
        None if answer.status == 207 => {
            let words =
                "it answered 207, which tells of each part by itself; say under [answer] where it does";
            (422, words.to_owned())
        }
        None => return heard,
    };
    Heard { reply: Reply::Status { code, retry_after: None }, words, ..heard }
}

pub(super) async fn one(hand: &ConnectionContext<'_>, mut message: Message) -> Said {
    let said = say(hand, &mut message).await;
    let is_told = said.settled.iter().any(|settled| matches!(settled.became, SettledAs::Told { .. }));
    if message.has_found_id && !is_told {
        keep_found_id(hand, &message).await;
    }
    said
}

/// Stores an id that was found although the message has to wait. The item may be sold before the next one,
/// which then says so under this id.
async fn keep_found_id(hand: &ConnectionContext<'_>, message: &Message) {
    let ids = vec![(message.item, message.stood.other_id.clone())];
    let learn = LearnIds { connection: hand.connection.id, ids };
    if let Err(failure) = hand.ledger.execute(None, &learn).await {
        tracing::warn!("an id that the shop gave is not stored: {}", tell_all(&failure));
    }
}

/// A listing that is created again gets another id, and its answer may be lost. The stored id is forgotten before,
/// so that the next message looks for the listing, or goes to a person, and never ends what no longer exists.
/// The message itself still has it, in case the shop says that the listing exists.
async fn forget_old_id(hand: &ConnectionContext<'_>, message: &mut Message) -> Result<(), Said> {
    if message.kind != Kind::New || message.stood.other_id.is_empty() || message.has_forgotten_id {
        return Ok(());
    }
    let forget = ForgetId { connection: hand.connection.id, item: message.item };
    match hand.ledger.execute(None, &forget).await {
        Ok(_) => message.has_forgotten_id = true,
        Err(failure) => {
            tracing::warn!("a listing is not created again yet: {}", tell_all(&failure));
            return Err(Said::one(message.in_hand.holder, left(message.item)));
        }
    }
    Ok(())
}

async fn say(hand: &ConnectionContext<'_>, message: &mut Message) -> Said {
    if let Some(said) = look_first(hand, message).await {
        return said;
    }
    if let Err(said) = forget_old_id(hand, message).await {
        return said;
    }
    let mut etag = message.stood.etag.clone();
    let mut heard = match ask(hand, message, &etag) {
        Ok(ask) => hear_of(hand, message, ask).await,
        Err(error) => return untold(hand, message, &error),
    };
    // At most twice: each pass changes the request, and a third would mean that somebody keeps changing it.
    for _ in 0..2 {
        let again = match verdict(heard.reply, message.kind.saying()) {
            Verdict::Stale if message.kind == Kind::New => as_known(hand, message, heard.answer.as_ref()),
            Verdict::Stale => ask_anew(hand, message, &mut etag).await,
            Verdict::Refused if says_gone(heard.reply) => match as_new(hand, message).await {
                Ok(again) => again,
                Err(said) => return said,
            },
            _ => false,
        };
        if !again {
            break;
        }
        if message.is_late() {
            return at_once(hand, message, "its lease ended before it could be sent again");
        }
        match is_the_latest(hand, message, &heard).await {
            Ok(Standing::Same) => {}
            Ok(Standing::Changed) => return at_once(hand, message, "it has changed meanwhile"),
            Ok(Standing::Unknown) => {
                let words = format!("{}; what was bought there is not known yet", heard.words);
                let became = later(hand, message, heard.reply, &words);
                let (item, revision) = (message.item, message.listing.revision);
                return Said::one(message.in_hand.holder, Settled { item, revision, became });
            }
            Err(failure) => {
                tracing::warn!("a message waits: {}", tell_all(&failure));
                break;
            }
        }
        if message.is_late() {
            return at_once(hand, message, "its lease ended before it could be sent again");
        }
        if let Err(said) = forget_old_id(hand, message).await {
            return said;
        }
        hand.reach.rate.owe();
        heard = match ask(hand, message, &etag) {
            Ok(ask) => hear_of(hand, message, ask).await,
            Err(error) => return untold(hand, message, &error),
        };
    }
    settled(hand, message, heard)
}

/// Sends it again as the item is by then; the try counts, because the listing may exist. What was answered so far
/// is no answer to what would have been sent now.
fn at_once(hand: &ConnectionContext<'_>, message: &Message, words: &str) -> Said {
    let (item, revision) = (message.item, message.listing.revision);
    let became = SettledAs::Later { until: hand.ledger.now(), words: words.to_owned() };
    Said::one(message.in_hand.holder, Settled { item, revision, became })
}

/// If an earlier try was lost, or another connection created the listing, creating it again would make it
/// twice. So we look for it first, if their list can tell. Returns what to do; none to go on.
async fn look_first(hand: &ConnectionContext<'_>, message: &mut Message) -> Option<Said> {
    let is_unnamed = message.kind != Kind::New && needs_its_id(hand, message);
    if message.kind != Kind::New && !is_unnamed {
        return None;
    }
    let is_gone = message.state() == ListingState::Ended;
    let must_be_new = message.tries > 1 || is_unnamed;
    match look::look(hand, &message.listing.sku, must_be_new.then_some(message.in_hand.since)).await {
        Looked::There(id) => {
            if let Some(id) = id {
                message.stood.other_id = id;
                message.has_found_id = true;
            }
            if message.kind == Kind::New {
                let ends = is_gone && hand.reach.file.out.end.is_some();
                message.kind = if ends { Kind::End } else { Kind::Tell };
            }
            None
        }
        Looked::NotThere if is_gone => Some(nothing_to_end(message)),
        Looked::NotThere | Looked::NotAsked => {
            // It was created once, no longer exists, and has no id to address it by, so it is created again.
            if is_unnamed && hand.reach.file.out.new.is_some() {
                message.kind = Kind::New;
            }
            None
        }
        // It sold here, and may be offered there under an id that we never learned.
        Looked::CannotTell if is_gone && hand.reach.file.needs_other_id() => {
            Some(untold(hand, message, &FillError::Unknown { place: Place::OtherId }))
        }
        Looked::CannotTell => None,
        Looked::Failed { reply, words } => Some(not_looked(hand, message, reply, &words)),
    }
}

fn needs_its_id(hand: &ConnectionContext<'_>, message: &Message) -> bool {
    let file = &hand.reach.file;
    let made = message.address(&file.base, &file.out);
    matches!(made, Err(FillError::Unknown { place: Place::OtherId }))
}

/// It cannot be sent at all; says what somebody can do about it.
fn untold(hand: &ConnectionContext<'_>, message: &Message, error: &FillError) -> Said {
    let FillError::Unknown { place: Place::OtherId } = error else {
        return parked(hand, message, &error.to_string());
    };
    let (sku, name) = (&message.listing.sku, &hand.connection.name);
    let what = match message.state() {
        ListingState::Ended => "it is sold or gone here and may still be on offer there",
        ListingState::Listed => "it cannot be told how it stands",
    };
    let words = format!(
        "{what}, since the id that the shop gave it is not known. Look its id up there and enter it on this \
         connection's page, or by: fleecefold sync id {name} {sku} ID"
    );
    parked(hand, message, &words)
}

/// Whether a message is still true.
enum Standing {
    Same,
    Changed,
    /// Their orders cannot be fetched at the moment.
    Unknown,
}

/// A state there that changed without our doing may be a purchase. Orders are taken in before the message
/// overwrites it, so that nothing sold is offered again. A message that only removes something can be sent
/// anyway.
async fn is_the_latest(
    hand: &ConnectionContext<'_>,
    message: &Message,
    heard: &Heard,
) -> Result<Standing, CommandError> {
    let may_be_bought = verdict(heard.reply, message.kind.saying()) == Verdict::Stale;
    let is_offer = message.listing.availability == Availability::InStock;
    if !may_be_bought || !is_offer || hand.reach.file.orders.is_none() {
        return Ok(Standing::Same);
    }
    let orders_are_known = orders::poll(hand, orders::Why::ReliedOn).await?;
    let now = hand.ledger.listings_of(hand.connection.id, &[message.item]).await?;
    let is_same = now.iter().all(|(row, _)| row.revision == message.listing.revision);
    Ok(match (is_same, orders_are_known) {
        (false, _) => Standing::Changed,
        (true, true) => Standing::Same,
        (true, false) => Standing::Unknown,
    })
}

fn ask(hand: &ConnectionContext<'_>, message: &Message, etag: &str) -> Result<Ask, FillError> {
    let file = &hand.reach.file;
    message.ask(hand.connection.id, &file.base, &file.out, etag)
}

/// It exists there already, so it is treated as listed, with the id that the answer may contain.
fn as_known(hand: &ConnectionContext<'_>, message: &mut Message, answer: Option<&Answer>) -> bool {
    if let Some(id) = answer.and_then(|a| known_id(hand, a)) {
        message.stood.other_id = id;
        message.has_found_id = true;
    }
    message.kind = Kind::Tell;
    let file = &hand.reach.file;
    let can_be_said = message.address(&file.base, &file.out).is_ok();
    if !can_be_said {
        message.kind = Kind::New;
    }
    can_be_said
}

/// They have lost it. It is created again, unless their list has it under another id by now. Returns whether to
/// send again, or the result.
async fn as_new(hand: &ConnectionContext<'_>, message: &mut Message) -> Result<bool, Said> {
    if !message.can_be_made_anew(&hand.reach.file.out) {
        return Ok(false);
    }
    match look::look(hand, &message.listing.sku, Some(message.in_hand.since)).await {
        Looked::There(Some(id)) if id != message.stood.other_id => {
            message.stood.other_id = id;
            message.has_found_id = true;
        }
        Looked::NotThere if message.state() == ListingState::Ended => return Err(nothing_to_end(message)),
        Looked::Failed { reply, words } => return Err(not_looked(hand, message, reply, &words)),
        _ => message.kind = Kind::New,
    }
    Ok(true)
}

fn nothing_to_end(message: &Message) -> Said {
    let (item, revision) = (message.item, message.listing.revision);
    Said::one(message.in_hand.holder, Settled { item, revision, became: SettledAs::Nothing })
}

/// Their list cannot be fetched now, and nothing is created blindly.
fn not_looked(hand: &ConnectionContext<'_>, message: &Message, reply: Reply, words: &str) -> Said {
    let words = format!("{words}; whether it is there already is not known");
    let quiet = (!answers(reply)).then(|| (reply, words.clone()));
    let became = later(hand, message, reply, &words);
    let settled = Settled { item: message.item, revision: message.listing.revision, became };
    Said { holder: message.in_hand.holder, settled: vec![settled], quiet }
}

/// Reads the shop's state of the item. If there is none, the message goes without a condition even if it had
/// one: what we say about our own stock is right, whatever was there.
async fn ask_anew(hand: &ConnectionContext<'_>, message: &Message, etag: &mut String) -> bool {
    let file = &hand.reach.file;
    let Ok(url) = message.address(&file.base, &file.out) else { return false };
    hand.reach.rate.owe();
    let ask = Ask { limit: MAX_ANSWER_BYTES, ..Ask::page(url) };
    let found = hand.client.ask(ask, hand.ledger.now()).await;
    let now_there = found.ok().filter(|a| (200..300).contains(&a.status)).and_then(|a| a.etag);
    let before = std::mem::replace(etag, now_there.unwrap_or_default());
    before != *etag
}

fn parked(hand: &ConnectionContext<'_>, message: &Message, words: &str) -> Said {
    hand.reach.parked(message.item);
    let words = format!("{}: {words}", message.listing.sku);
    let became = SettledAs::Parked { words };
    Said::one(
        message.in_hand.holder,
        Settled { item: message.item, revision: message.listing.revision, became },
    )
}

fn settled(hand: &ConnectionContext<'_>, message: &Message, heard: Heard) -> Said {
    let Heard { reply, words, answer, other_id } = heard;
    let mut quiet = None;
    let became = match verdict(reply, message.kind.saying()) {
        Verdict::Delivered => {
            hand.reach.went_well(message.item);
            told(hand, message, answer.as_ref(), other_id)
        }
        Verdict::Refused => return parked(hand, message, &words),
        Verdict::Stale if stale_too_often(hand.reach.stale(message.item)) => {
            return parked(hand, message, &format!("{words}; what stands there is not what we know"));
        }
        Verdict::Stale => later(hand, message, reply, &words),
        Verdict::Later => {
            if !answers(reply) || hand.reach.failed() >= FAILS_IN_A_ROW {
                quiet = Some((reply, words.clone()));
            }
            later(hand, message, reply, &words)
        }
        Verdict::Quiet => {
            quiet = Some((reply, words.clone()));
            later(hand, message, reply, &words)
        }
    };
    let settled = Settled { item: message.item, revision: message.listing.revision, became };
    Said { holder: message.in_hand.holder, settled: vec![settled], quiet }
}

/// Whether the shop was reachable; if not, it is away for every message.
fn answers(reply: Reply) -> bool {
    reply != Reply::NoAnswer(NoAnswer::NotSent)
}

fn told(
    hand: &ConnectionContext<'_>,
    message: &Message,
    answer: Option<&Answer>,
    own: Option<String>,
) -> SettledAs {
    let other_id = match answer {
        _ if own.is_some() => own,
        Some(answer) if message.kind == Kind::New => other_id(hand, answer),
        _ => {
            let is_unsaved = message.has_found_id || message.has_forgotten_id;
            is_unsaved.then(|| message.stood.other_id.clone())
        }
    };
    // A removed listing has no state any more.
    let etag = answer.filter(|_| message.kind != Kind::End).and_then(|a| a.etag.clone());
    SettledAs::Told { hash: message.hash.clone(), state: message.state(), other_id, etag }
}

/// The shop's own id: from its place in the answer, or from the end of the address that was created.
fn other_id(hand: &ConnectionContext<'_>, answer: &Answer) -> Option<String> {
    let new = hand.reach.file.out.new.as_ref()?;
    if let Some(place) = &new.id {
        return answer.body.as_ref().ok().and_then(|body| json_at(body, place));
    }
    let location = answer.location.as_deref()?;
    let base = &hand.reach.file.base;
    let url = base.follow(base.url(), location).ok()?;
    let last = url.path_segments()?.rfind(|segment| !segment.is_empty())?;
    Some(percent_encoding::percent_decode_str(last).decode_utf8_lossy().into_owned())
}

/// The id of the existing listing, from the refusal to create it again.
fn known_id(hand: &ConnectionContext<'_>, answer: &Answer) -> Option<String> {
    let place = hand.reach.file.out.new.as_ref().and_then(|new| new.known_id.as_ref());
    let Some(place) = place else { return other_id(hand, answer) };
    answer.body.as_ref().ok().and_then(|body| json_at(body, place))
}

fn later(hand: &ConnectionContext<'_>, message: &Message, reply: Reply, words: &str) -> SettledAs {
    let until = hand.after(back_off(message.tries, hand.dice(), reply));
    let words = format!("{}: {words}", message.listing.sku);
    if reply == Reply::NoAnswer(NoAnswer::Unknown) {
        return SettledAs::Unanswered { until, words };
    }
    SettledAs::Later { until, words }
}

/// Left untouched for another cycle.
pub(super) fn left(item: ItemId) -> Settled {
    Settled { item, revision: 0, became: SettledAs::Left }
}
