//! Results for each message in an answer, if the connection says how to read them (`[answer]`).

use super::client::Answer;
use super::message::Message;
use domain::delivery::Reply;
use feeds::connection::{AnswerForm, ItemResult, Outcome};

/// What was said of one message.
#[derive(Clone, Debug)]
pub(super) struct OnOne {
    /// What an answer to it alone would mean.
    pub(super) reply: Reply,
    pub(super) words: String,
    /// The shop's own id of the item, if the result has it.
    pub(super) other_id: Option<String>,
}

/// The results in an answer that reports success or on each part; none if it has none.
pub(super) fn of(form: Option<&AnswerForm>, answer: &Answer) -> Option<Vec<ItemResult>> {
    let form = form.filter(|_| (200..300).contains(&answer.status))?;
    form.results(answer.body.as_ref().ok()?)
}

/// The result for a message: by its name, or by its position. Of two results for one message, the worse counts.
pub(super) fn on(
    form: &AnswerForm,
    results: &[ItemResult],
    (at, count): (usize, usize),
    message: &Message,
    answer: &Answer,
) -> Option<OnOne> {
    let is_its = |result: &&ItemResult| {
        let of = result.of.as_deref();
        let (sku, id) = (message.listing.sku.as_str(), message.stood.other_id.as_str());
        of.is_some_and(|of| of == sku || (!id.is_empty() && of == id))
    };
    let found = if form.names_items() {
        let own = || results.iter().filter(is_its);
        own().find(|result| !is_good(result.outcome)).or_else(|| own().next())
    } else {
        results.get(at).filter(|_| results.len() == count)
    };
    found.map(|result| on_one(result, answer))
}

fn is_good(outcome: Outcome) -> bool {
    matches!(outcome, Outcome::Good | Outcome::Status(200..=299))
}

fn on_one(result: &ItemResult, answer: &Answer) -> OnOne {
    // A refusal without a status of its own is for a person, as 422 is (RFC 9110, 15.5.21).
    let code = match result.outcome {
        // A result that can be read contains no list.
        Outcome::Status(207) | Outcome::Good => 200,
        Outcome::Bad => 422,
        Outcome::Status(code) => code,
    };
    let reason = if result.reason.is_empty() { "gave no reason" } else { result.reason.as_str() };
    let said = match result.outcome {
        Outcome::Status(code) => format!("it said {code} of this one: {reason}"),
        _ => format!("it refused this one: {reason}"),
    };
    let words = format!("it answered {}; {said}", answer.status);
    let reply = Reply::Status { code, retry_after: answer.retry_after };
    OnOne { reply, words, other_id: result.other_id.clone() }
}
