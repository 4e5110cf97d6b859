//! Sends many messages in one request, and decides what its answer means for each.

use super::{FAILS_IN_A_ROW, Heard, Said, answers, forget_old_id, hear, later, left, parked, told};
use crate::connections::cycle::ConnectionContext;
use crate::connections::message::{Message, batch_ask};
use crate::connections::results::{self, OnOne};
use domain::delivery::{Reply, Saying, Verdict, says_gone, verdict};
use feeds::connection::BatchCall;
use ledger::online::{Settled, SettledAs};

/// Sends a batch. If it is refused, nobody knows which message caused that, so each is sent by itself; so is
/// one that the answer does not mention.
pub(in crate::connections) async fn many(
    hand: &ConnectionContext<'_>,
    call: &BatchCall,
    mut messages: Vec<Message>,
) -> Said {
    let holder = messages.first().map_or(0, |m| m.in_hand.holder);
    for message in &mut messages {
        if forget_old_id(hand, message).await.is_err() {
            let settled = messages.iter().map(|message| left(message.item)).collect();
            return Said { holder, settled, quiet: None };
        }
    }
    let file = &hand.reach.file;
    let heard = match batch_ask(hand.connection.id, &file.base, &file.out, call, &messages) {
        Ok(ask) => hear(hand, ask).await,
        Err(error) => {
            let told = error.to_string();
            let settled = messages.iter().flat_map(|m| parked(hand, m, &told).settled).collect();
            return Said { holder, settled, quiet: None };
        }
    };
    let each = each_of_batch(hand, &messages, &heard);
    let mut said = Said { holder, settled: Vec::with_capacity(messages.len()), quiet: None };
    for (message, own) in messages.iter().zip(each) {
        let became = in_batch(hand, message, &heard, own, &mut said.quiet);
        let (item, revision) = (message.item, message.listing.revision);
        said.settled.push(Settled { item, revision, became });
    }
    if verdict(heard.reply, Saying::State) == Verdict::Later && hand.reach.failed() >= FAILS_IN_A_ROW {
        said.quiet = Some((heard.reply, heard.words.clone()));
    }
    said
}

/// What a batch's answer means for one of its messages.
enum InBatch {
    /// The same as for all of them.
    AsAll,
    /// What it says about this one.
    Own(OnOne),
    /// It reports on each, but not on this one.
    Nothing,
}

fn each_of_batch(hand: &ConnectionContext<'_>, messages: &[Message], heard: &Heard) -> Vec<InBatch> {
    let form = hand.reach.file.answer.as_ref();
    let is_well = heard.answer.as_ref().is_some_and(|a| (200..300).contains(&a.status));
    let results = heard.answer.as_ref().and_then(|answer| results::of(form, answer));
    let of = |(at, message): (usize, &Message)| match (form, &heard.answer, &results) {
        (Some(form), Some(answer), Some(results)) => {
            let place = (at, messages.len());
            results::on(form, results, place, message, answer).map_or(InBatch::Nothing, InBatch::Own)
        }
        // It should report on each, and does not.
        (Some(_), Some(_), None) if is_well => InBatch::Nothing,
        _ => InBatch::AsAll,
    };
    messages.iter().enumerate().map(of).collect()
}

fn in_batch(
    hand: &ConnectionContext<'_>,
    message: &Message,
    heard: &Heard,
    own: InBatch,
    quiet: &mut Option<(Reply, String)>,
) -> SettledAs {
    let alone = |words: &str| {
        hand.reach.say_alone(std::iter::once(message.item));
        SettledAs::Later { until: hand.ledger.now(), words: format!("{}: {words}", message.listing.sku) }
    };
    let is_own = matches!(own, InBatch::Own(_));
    let (reply, words, other_id) = match own {
        InBatch::Nothing => return alone("the answer to the batch says nothing of it"),
        InBatch::Own(OnOne { reply, words, other_id }) => (reply, words, other_id),
        InBatch::AsAll => (heard.reply, heard.words.clone(), None),
    };
    match verdict(reply, Saying::State) {
        Verdict::Delivered => {
            hand.reach.went_well(message.item);
            told(hand, message, None, other_id)
        }
        // A listing that is missing, or exists already, is looked at by itself.
        Verdict::Refused if is_own && !says_gone(reply) => {
            hand.reach.parked(message.item);
            SettledAs::Parked { words: format!("{}: {words}", message.listing.sku) }
        }
        Verdict::Refused | Verdict::Stale => alone(&words),
        Verdict::Later | Verdict::Quiet if is_own => later(hand, message, reply, &words),
        Verdict::Later if answers(reply) => later(hand, message, reply, &words),
        Verdict::Later | Verdict::Quiet => {
            *quiet = Some((reply, words.clone()));
            later(hand, message, reply, &words)
        }
    }
}
