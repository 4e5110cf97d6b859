//! Messages to an online shop: what an answer means, and when to send again.
//!
//! The statuses are those of RFC 9110, 15, and RFC 6585. Which of them deserve another try is common
//! practice, no single source: what may pass by itself is sent again, what concerns the message itself
//! waits for a person.

use crate::ids::{ConnectionId, ItemId};
use std::time::Duration;

/// How long one request may take: longer than a slow shop needs, shorter than [`LEASE`].
pub const REQUEST_TIMEOUT: Duration = Duration::from_secs(30);
/// How long a message belongs to its sender: twice the time of a request, so that nobody else sends it
/// in the meantime, whatever became of the answer.
pub const LEASE: Duration = Duration::from_mins(1);
/// The longest wait before the second try; it doubles with each try.
pub const FIRST_WAIT: Duration = Duration::from_secs(1);
/// The longest wait that we choose ourselves: a shop that is back is noticed within 15 minutes.
pub const LONGEST_WAIT: Duration = Duration::from_mins(15);
/// The longest wait that a shop can ask for. More than a day is taken for a mistake.
pub const LONGEST_ASKED: Duration = Duration::from_hours(24);
/// How often one message may find that the shop's state has changed before it waits for a person. Each
/// time that state is read again; more than this means that another program keeps changing it.
pub const MAX_STALE: u32 = 3;
/// How often “there is no such thing” must come in a row if it may not come from the shop's own
/// program. While that program restarts, the server in front of it may answer so for minutes. At least
/// [`REQUEST_TIMEOUT`] lies between two tries, so it takes more than three minutes.
pub const GONE_AFTER: u32 = 8;

/// Doublings until [`LONGEST_WAIT`] is reached.
const MAX_DOUBLINGS: u32 = 10;

/// What came back for a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// An HTTP answer.
    Status {
        /// The HTTP status.
        code: u16,
        /// How long the shop asks us to wait (`Retry-After`).
        retry_after: Option<Duration>,
    },
    /// No answer.
    NoAnswer(NoAnswer),
}

/// What is known about a message that got no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoAnswer {
    /// It was not sent: there was no connection.
    NotSent,
    /// It may have arrived, or may still be on its way.
    Unknown,
}

/// What a message says, as far as the meaning of the answer depends on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Saying {
    /// The current state of an item.
    State,
    /// That an item is gone, said by removing its listing.
    End,
}

/// What the answer means for the message.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// The shop has it.
    Delivered,
    /// The shop's state is not the one we knew: read it and send the message again, at most
    /// [`MAX_STALE`] times.
    Stale,
    /// The shop does not accept this message: it waits for a person.
    Refused,
    /// Send this message again later; the others go on.
    Later,
    /// Pause the whole connection: every request would be answered like this.
    Quiet,
}

/// What a reply means. Only the statuses of a closed list, which concern the message itself, make it
/// wait for a person; everything unknown is tried again later.
pub fn verdict(reply: Reply, saying: Saying) -> Verdict {
    let Reply::Status { code, .. } = reply else { return Verdict::Later };
    match (code, saying) {
        // 207 Multi-Status (RFC 4918, 13) speaks of each part, in the shop's own form, and says
        // nothing about the whole. Whoever can read the parts has read them before.
        (207, _) => Verdict::Refused,
        // It should be gone, and it is.
        (200..=299, _) | (404 | 410, Saying::End) => Verdict::Delivered,
        // Conflict, or a precondition that failed or is required.
        (409 | 412 | 428, _) => Verdict::Stale,
        // Not authorized, too many requests, unavailable, or a network that asks to sign in.
        (401 | 403 | 407 | 429 | 503 | 511, _) => Verdict::Quiet,
        // Timed out, locked (RFC 4918, 11.3), too early (RFC 8470, 5.2).
        (408 | 423 | 425, _) => Verdict::Later,
        (400..=499, _) => Verdict::Refused,
        // 1xx is not final, 3xx is not followed, 5xx may pass, and others are unassigned.
        (0..=199 | 300..=399 | 500..=u16::MAX, _) => Verdict::Later,
    }
}

/// Whether a message that was stale this often must wait for a person.
pub fn stale_too_often(times: u32) -> bool {
    times >= MAX_STALE
}

/// Whether the answer says that the thing does not exist. Believing it too early leaves a listing in
/// place that should be gone, or creates one a second time.
pub fn says_gone(reply: Reply) -> bool {
    matches!(reply, Reply::Status { code: 404 | 410, .. })
}

/// Whether to believe it after this many such answers in a row, none of them clearly from the shop's
/// own program.
pub fn is_gone(times: u32) -> bool {
    times >= GONE_AFTER
}

/// How long to wait after the `tries`-th failed try, counted from 1: a random time up to a bound that
/// doubles, chosen by `dice`, so that many messages that failed together do not return together (“full
/// jitter”; Brooker, Exponential Backoff and Jitter, AWS Architecture Blog, 2015). Never less than the
/// shop asked for, or than a request may still be on its way.
pub fn back_off(tries: u32, dice: u64, reply: Reply) -> Duration {
    let bound = FIRST_WAIT * (1 << tries.saturating_sub(1).min(MAX_DOUBLINGS));
    let bound = bound.min(LONGEST_WAIT).as_millis();
    // 0 to bound, in proportion to dice; 2^64 × bound fits.
    let millis = ((bound + 1) * u128::from(dice)) >> 64;
    let chosen = Duration::from_millis(u64::try_from(millis).unwrap_or(u64::MAX));
    chosen.max(floor(reply))
}

fn floor(reply: Reply) -> Duration {
    match reply {
        Reply::Status { retry_after, .. } => retry_after.unwrap_or_default().min(LONGEST_ASKED),
        Reply::NoAnswer(NoAnswer::NotSent) => Duration::ZERO,
        Reply::NoAnswer(NoAnswer::Unknown) => REQUEST_TIMEOUT,
    }
}

/// Whether revision `said` is news to somebody who knows revision `known`. The same revision is not,
/// and an older one never replaces a newer one.
pub fn newer(said: i64, known: i64) -> bool {
    said > known
}

/// The `Idempotency-Key` of a message, the same each time that it is sent.
pub fn message_key(connection: ConnectionId, item: ItemId, revision: i64) -> String {
    format!("{connection}-{item}-{revision}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn status(code: u16) -> Reply {
        Reply::Status { code, retry_after: None }
    }

    fn asked(seconds: u64) -> Reply {
        Reply::Status { code: 429, retry_after: Some(Duration::from_secs(seconds)) }
    }

    /// Every status of 200 to 599, in order, with no gap between the rows.
    const TABLE: &[(u16, u16, Verdict)] = &[
        (200, 206, Verdict::Delivered),
        (207, 207, Verdict::Refused),
        (208, 299, Verdict::Delivered),
        (300, 399, Verdict::Later),
        (400, 400, Verdict::Refused),
        (401, 401, Verdict::Quiet),
        (402, 402, Verdict::Refused),
        (403, 403, Verdict::Quiet),
        (404, 406, Verdict::Refused),
        (407, 407, Verdict::Quiet),
        (408, 408, Verdict::Later),
        (409, 409, Verdict::Stale),
        (410, 411, Verdict::Refused),
        (412, 412, Verdict::Stale),
        (413, 422, Verdict::Refused),
        (423, 423, Verdict::Later),
        (424, 424, Verdict::Refused),
        (425, 425, Verdict::Later),
        (426, 427, Verdict::Refused),
        (428, 428, Verdict::Stale),
        (429, 429, Verdict::Quiet),
        (430, 499, Verdict::Refused),
        (500, 502, Verdict::Later),
        (503, 503, Verdict::Quiet),
        (504, 510, Verdict::Later),
        (511, 511, Verdict::Quiet),
        (512, 599, Verdict::Later),
    ];

    #[test]
    fn each_status_has_its_verdict() {
        let mut next = 200;
        for (first, last, expected) in TABLE {
            assert_eq!(*first, next, "the table has no gap");
            for code in *first..=*last {
                assert_eq!(verdict(status(code), Saying::State), *expected, "{code}");
                let gone = matches!(code, 404 | 410);
                let of_end = if gone { Verdict::Delivered } else { *expected };
                assert_eq!(verdict(status(code), Saying::End), of_end, "{code} for what is gone");
            }
            next = last + 1;
        }
        assert_eq!(next, 600);
    }

    #[test]
    fn that_something_is_not_there_is_believed_after_a_while() {
        for code in 100..600 {
            assert_eq!(says_gone(status(code)), code == 404 || code == 410, "{code}");
        }
        assert!(!says_gone(Reply::NoAnswer(NoAnswer::Unknown)));
        assert_eq!((1..=10).find(|times| is_gone(*times)), Some(GONE_AFTER));
        // Not within the minutes that a shop's program may take to restart.
        let waits: Duration =
            (1..GONE_AFTER).map(|tries| back_off(tries, 0, Reply::NoAnswer(NoAnswer::Unknown))).sum();
        assert!(waits >= Duration::from_mins(3), "{waits:?}");
    }

    #[test]
    fn what_is_no_final_answer_is_said_again() {
        for code in (0..200).chain([600, 999, u16::MAX]) {
            assert_eq!(verdict(status(code), Saying::State), Verdict::Later, "{code}");
        }
        for none in [NoAnswer::NotSent, NoAnswer::Unknown] {
            assert_eq!(verdict(Reply::NoAnswer(none), Saying::End), Verdict::Later);
        }
    }

    /// Nothing that a later try could solve may wait for a person; this counts the closed list.
    #[test]
    fn only_what_speaks_of_the_message_is_parked() {
        let parked: Vec<u16> =
            (0..=u16::MAX).filter(|c| verdict(status(*c), Saying::State) == Verdict::Refused).collect();
        assert!(parked.iter().all(|c| (400..=499).contains(c) || *c == 207), "{parked:?}");
        assert_eq!(parked.len(), 1 + 100 - 10, "207, and all but ten of the 4xx");
    }

    #[test]
    fn waits_double_up_to_a_quarter_of_an_hour() {
        let check = |tries: u32, dice: u64, millis: u64| {
            assert_eq!(back_off(tries, dice, status(500)), Duration::from_millis(millis), "{tries} {dice}");
        };
        check(1, 0, 0);
        check(1, u64::MAX, 1000);
        check(1, 1 << 63, 500);
        check(0, u64::MAX, 1000);
        check(2, u64::MAX, 2000);
        check(10, u64::MAX, 512_000);
        check(11, u64::MAX, 900_000);
        check(u32::MAX, u64::MAX, 900_000);
        check(u32::MAX, 1 << 63, 450_000);
    }

    #[test]
    fn a_wait_is_never_less_than_what_was_asked_or_may_be_under_way() {
        let check = |tries, dice, reply, seconds: u64| {
            assert_eq!(back_off(tries, dice, reply), Duration::from_secs(seconds), "{reply:?}");
        };
        check(1, 0, asked(120), 120);
        check(11, u64::MAX, asked(120), 900);
        check(1, 0, asked(86_400), 86_400);
        check(1, 0, asked(u64::MAX), 86_400);
        check(1, 0, Reply::NoAnswer(NoAnswer::NotSent), 0);
        check(1, 0, Reply::NoAnswer(NoAnswer::Unknown), 30);
        check(11, u64::MAX, Reply::NoAnswer(NoAnswer::Unknown), 900);
    }

    #[test]
    fn a_message_never_outlives_its_lease() {
        assert!(REQUEST_TIMEOUT < LEASE);
    }

    #[test]
    fn the_third_time_stale_is_the_last() {
        assert_eq!([1, 2, 3, 4].map(stale_too_often), [false, false, true, true]);
    }

    #[test]
    fn a_message_is_news_to_whoever_knows_less() {
        assert_eq!([newer(3, 2), newer(3, 3), newer(2, 3)], [true, false, false]);
        let key = message_key(ConnectionId::from_raw(7), ItemId::from_raw(42), 3);
        assert_eq!(key, "7-42-3");
    }
}
