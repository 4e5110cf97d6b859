//! Saying a message, and what its answer makes of it.

use super::client::{Answer, Ask, MAX_ANSWER_BYTES};
use super::message::{Kind, Message, batch_ask};
use super::orders;
use super::round::Hand;
use crate::words::tell_all;
use domain::delivery::{
    NoAnswer, Reply, Verdict, back_off, batch_verdict, is_gone, says_gone, stale_too_often, verdict,
};
use domain::ids::ItemId;
use domain::stock::Availability;
use feeds::connection::BatchCall;
use feeds::json_at;
use ledger::{Failure, Settled, SettledAs};

/// Messages in a row that come to nothing before the whole connection waits: as many as are under way at
/// once, so that one that is poisoned does not stop the others.
const FAILS_IN_A_ROW: usize = super::drain::AT_ONCE + 1;

/// What became of what was said.
#[derive(Debug)]
pub(super) struct Said {
    pub(super) holder: i64,
    pub(super) settled: Vec<Settled>,
    /// The reply for which the whole connection waits, and in words.
    pub(super) quiet: Option<(Reply, String)>,
}

impl Said {
    pub(super) fn one(holder: i64, settled: Settled) -> Self {
        Self { holder, settled: vec![settled], quiet: None }
    }
}

/// An answer or none, as what it means and in words.
struct Heard {
    reply: Reply,
    words: String,
    answer: Option<Answer>,
}

async fn hear(hand: &Hand<'_>, ask: Ask) -> Heard {
    match hand.client.ask(ask, hand.ledger.now()).await {
        // A page for people that says all is well is what a closed shop or a sign-in page sends: whether the
        // message was taken, nobody knows.
        Ok(answer) if answer.is_page_for_people() => {
            let words =
                format!("it answered {} with a page for people; is the address right?", answer.status);
            Heard { reply: Reply::NoAnswer(NoAnswer::Unknown), words, answer: None }
        }
        Ok(answer) => Heard { reply: answer.reply(), words: answer.words(), answer: Some(answer) },
        Err(error) => Heard { reply: error.reply(), words: error.to_string(), answer: None },
    }
}

/// What is answered to a message about something that should be there. That it is not is doubted for a while
/// where a message depends on it, and it may be somebody else's word.
async fn hear_of(hand: &Hand<'_>, message: &Message, ask: Ask) -> Heard {
    let heard = hear(hand, ask).await;
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
    Heard { reply: Reply::NoAnswer(NoAnswer::Unknown), words, answer: None }
}

/// Says one message.
pub(super) async fn one(hand: &Hand<'_>, mut message: Message) -> Said {
    let mut etag = message.stood.etag.clone();
    let mut heard = match ask(hand, &message, &etag) {
        Ok(ask) => hear_of(hand, &message, ask).await,
        Err(words) => return parked(hand, &message, &words),
    };
    // At most twice: each turn changes what is asked, and the third would be a quarrel.
    for _ in 0..2 {
        let again = match verdict(heard.reply, message.kind.saying()) {
            Verdict::Stale if message.kind == Kind::New => {
                as_known(hand, &mut message, heard.answer.as_ref())
            }
            Verdict::Stale => ask_anew(hand, &message, &mut etag).await,
            Verdict::Refused if says_gone(heard.reply) => as_new(hand, &mut message),
            _ => false,
        };
        if !again || message.is_late() {
            break;
        }
        match is_the_latest(hand, &message, &heard).await {
            Ok(Standing::Same) => {}
            // It is said anew, as the item stands by then; that it was tried counts, since it may be there.
            Ok(Standing::Changed) => {
                let (until, words) = (hand.ledger.now(), "it has changed meanwhile".to_owned());
                let (item, revision) = (message.item, message.listing.revision);
                let became = SettledAs::Later { until, words };
                return Said::one(message.holder, Settled { item, revision, became });
            }
            Ok(Standing::Unknown) => {
                let words = format!("{}; what was bought there is not known yet", heard.words);
                let became = later(hand, &message, heard.reply, &words);
                let (item, revision) = (message.item, message.listing.revision);
                return Said::one(message.holder, Settled { item, revision, became });
            }
            Err(failure) => {
                tracing::warn!("a message waits: {}", tell_all(&failure));
                break;
            }
        }
        if message.is_late() {
            break;
        }
        hand.reach.rate.owe();
        heard = match ask(hand, &message, &etag) {
            Ok(ask) => hear_of(hand, &message, ask).await,
            Err(words) => return parked(hand, &message, &words),
        };
    }
    settled(hand, &message, heard)
}

/// Whether what a message says is still so.
enum Standing {
    Same,
    Changed,
    /// Their orders cannot be asked for at present.
    Unknown,
}

/// A state there that has changed without our word may be a purchase: what was bought is taken in before
/// the message is said over it, so that nothing is put on offer again that is sold. What takes something
/// off can be said in any case.
async fn is_the_latest(hand: &Hand<'_>, message: &Message, heard: &Heard) -> Result<Standing, Failure> {
    let may_be_bought = verdict(heard.reply, message.kind.saying()) == Verdict::Stale;
    let is_offer = message.listing.availability == Availability::InStock;
    if !may_be_bought || !is_offer || hand.reach.file.orders.is_none() {
        return Ok(Standing::Same);
    }
    let orders_are_known = orders::poll(hand, true).await?;
    let now = hand.ledger.listings_of(hand.connection.id, &[message.item]).await?;
    let is_same = now.iter().all(|(row, _)| row.revision == message.listing.revision);
    Ok(match (is_same, orders_are_known) {
        (false, _) => Standing::Changed,
        (true, true) => Standing::Same,
        (true, false) => Standing::Unknown,
    })
}

fn ask(hand: &Hand<'_>, message: &Message, etag: &str) -> Result<Ask, String> {
    let file = &hand.reach.file;
    message.ask(hand.connection.id, &file.base, &file.out, etag).map_err(|e| e.to_string())
}

/// It exists there already: it is told as what is known, by the id that the answer may have for it.
fn as_known(hand: &Hand<'_>, message: &mut Message, answer: Option<&Answer>) -> bool {
    if let Some(id) = answer.and_then(|a| other_id(hand, a)) {
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

/// They have lost it: it is told as new.
fn as_new(hand: &Hand<'_>, message: &mut Message) -> bool {
    let is_known = message.can_be_made_anew(&hand.reach.file.out);
    if is_known {
        message.kind = Kind::New;
    }
    is_known
}

/// Asks for the other side's state of it. Without one the message goes without a condition, where it
/// had one before: what we say of our own shelf is right whatever stood there.
async fn ask_anew(hand: &Hand<'_>, message: &Message, etag: &mut String) -> bool {
    let file = &hand.reach.file;
    let Ok(url) = message.address(&file.base, &file.out) else { return false };
    hand.reach.rate.owe();
    let ask = Ask { limit: MAX_ANSWER_BYTES, ..Ask::page(url) };
    let found = hand.client.ask(ask, hand.ledger.now()).await;
    let now_there = found.ok().filter(|a| (200..300).contains(&a.status)).and_then(|a| a.etag);
    let before = std::mem::replace(etag, now_there.unwrap_or_default());
    before != *etag
}

fn parked(hand: &Hand<'_>, message: &Message, words: &str) -> Said {
    hand.reach.parked(message.item);
    let words = format!("{}: {words}", message.listing.sku);
    let became = SettledAs::Parked { words };
    Said::one(message.holder, Settled { item: message.item, revision: message.listing.revision, became })
}

fn settled(hand: &Hand<'_>, message: &Message, heard: Heard) -> Said {
    let Heard { reply, words, answer } = heard;
    let mut quiet = None;
    let became = match verdict(reply, message.kind.saying()) {
        Verdict::Delivered => {
            hand.reach.went_well(message.item);
            told(hand, message, answer.as_ref())
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
    Said { holder: message.holder, settled: vec![settled], quiet }
}

/// Whether the shop was there at all: one that cannot be reached is away for every message.
fn answers(reply: Reply) -> bool {
    reply != Reply::NoAnswer(NoAnswer::NotSent)
}

fn told(hand: &Hand<'_>, message: &Message, answer: Option<&Answer>) -> SettledAs {
    let other_id = match answer {
        Some(answer) if message.kind == Kind::New => other_id(hand, answer),
        _ => message.has_found_id.then(|| message.stood.other_id.clone()),
    };
    // What was taken away has no state any more.
    let etag = answer.filter(|_| message.kind != Kind::End).and_then(|a| a.etag.clone());
    SettledAs::Told { hash: message.hash.clone(), state: message.state(), other_id, etag }
}

/// The other shop's own id: from the answer's place for it, or the end of the address that it was made at.
fn other_id(hand: &Hand<'_>, answer: &Answer) -> Option<String> {
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

fn later(hand: &Hand<'_>, message: &Message, reply: Reply, words: &str) -> SettledAs {
    let until = hand.after(back_off(message.tries, hand.dice(), reply));
    let words = format!("{}: {words}", message.listing.sku);
    if reply == Reply::NoAnswer(NoAnswer::Unknown) {
        return SettledAs::Unanswered { until, words };
    }
    SettledAs::Later { until, words }
}

/// Says many in one request. One that is refused says nothing about which of them is to blame: each is
/// said by itself then.
pub(super) async fn many(hand: &Hand<'_>, call: &BatchCall, messages: Vec<Message>) -> Said {
    let holder = messages.first().map_or(0, |m| m.holder);
    let file = &hand.reach.file;
    let heard = match batch_ask(hand.connection.id, &file.base, &file.out, call, &messages) {
        Ok(ask) => hear(hand, ask).await,
        Err(error) => {
            let told = error.to_string();
            let settled = messages.iter().flat_map(|m| parked(hand, m, &told).settled).collect();
            return Said { holder, settled, quiet: None };
        }
    };
    let now = hand.ledger.now();
    let mut quiet = None;
    let heard_as = batch_verdict(heard.reply);
    let became = |message: &Message, quiet: &mut Option<(Reply, String)>| match heard_as {
        Verdict::Delivered => {
            hand.reach.went_well(message.item);
            told(hand, message, None)
        }
        Verdict::Refused | Verdict::Stale => SettledAs::Later { until: now, words: heard.words.clone() },
        Verdict::Later if answers(heard.reply) => later(hand, message, heard.reply, &heard.words),
        Verdict::Later | Verdict::Quiet => {
            *quiet = Some((heard.reply, heard.words.clone()));
            later(hand, message, heard.reply, &heard.words)
        }
    };
    let settled = messages
        .iter()
        .map(|m| Settled { item: m.item, revision: m.listing.revision, became: became(m, &mut quiet) })
        .collect();
    match heard_as {
        Verdict::Refused | Verdict::Stale => hand.reach.say_alone(messages.iter().map(|m| m.item)),
        Verdict::Later if hand.reach.failed() >= FAILS_IN_A_ROW => {
            quiet = Some((heard.reply, heard.words.clone()));
        }
        _ => {}
    }
    Said { holder, settled, quiet }
}

/// Left for another turn, untouched.
pub(super) fn left(item: ItemId) -> Settled {
    Settled { item, revision: 0, became: SettledAs::Left }
}
