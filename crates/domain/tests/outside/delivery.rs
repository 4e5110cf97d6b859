//! How long a message waits, whatever the random numbers are.

use domain::delivery::{
    FIRST_WAIT, LONGEST_ASKED, LONGEST_WAIT, NoAnswer, REQUEST_TIMEOUT, Reply, Saying, Verdict, back_off,
    verdict,
};
use proptest::prelude::*;
use std::time::Duration;

fn reply() -> impl Strategy<Value = Reply> {
    let asked = prop::option::of(any::<u64>().prop_map(Duration::from_secs));
    prop_oneof![
        (any::<u16>(), asked).prop_map(|(code, retry_after)| Reply::Status { code, retry_after }),
        Just(Reply::NoAnswer(NoAnswer::NotSent)),
        Just(Reply::NoAnswer(NoAnswer::Unknown)),
    ]
}

/// The shortest wait that the reply itself asks for.
fn asked(reply: Reply) -> Duration {
    match reply {
        Reply::Status { retry_after: Some(wait), .. } => wait.min(LONGEST_ASKED),
        Reply::NoAnswer(NoAnswer::Unknown) => REQUEST_TIMEOUT,
        _ => Duration::ZERO,
    }
}

proptest! {
    #[test]
    fn a_wait_stays_between_what_was_asked_for_and_its_bound(tries: u32, dice: u64, reply in reply()) {
        let wait = back_off(tries, dice, reply);
        prop_assert!(wait >= asked(reply));
        prop_assert!(wait <= LONGEST_WAIT.max(asked(reply)));
        prop_assert!(tries > 1 || wait <= FIRST_WAIT.max(asked(reply)));
    }

    #[test]
    fn a_wait_grows_with_the_tries_and_with_the_dice(tries: u32, dice: u64, reply in reply()) {
        let wait = back_off(tries, dice, reply);
        prop_assert!(back_off(tries.saturating_add(1), dice, reply) >= wait);
        prop_assert!(back_off(tries, dice.saturating_add(1), reply) >= wait);
        prop_assert!(back_off(tries, u64::MAX, reply) >= wait);
    }

    /// The bound doubles with each try, up to the longest.
    #[test]
    fn the_bound_doubles(tries in 1..40_u32) {
        let bound = |tries| back_off(tries, u64::MAX, Reply::NoAnswer(NoAnswer::NotSent));
        prop_assert_eq!(bound(tries + 1), (bound(tries) * 2).min(LONGEST_WAIT));
    }

    /// RFC 9110, 15: a client treats an unknown status as the x00 of its class. Of 4xx that is 400.
    #[test]
    fn an_unknown_status_counts_as_the_first_of_its_class(code in 200..=599_u16) {
        let known = [207, 401, 403, 404, 407, 408, 409, 410, 412, 423, 425, 428, 429, 503, 511];
        prop_assume!(!known.contains(&code));
        let of = |code| verdict(Reply::Status { code, retry_after: None }, Saying::State);
        prop_assert_eq!(of(code), of(code / 100 * 100));
    }

    #[test]
    fn how_long_was_asked_for_changes_no_verdict(code: u16, seconds: u64) {
        let with = |retry_after| verdict(Reply::Status { code, retry_after }, Saying::State);
        prop_assert_eq!(with(Some(Duration::from_secs(seconds))), with(None));
        prop_assert!(with(None) != Verdict::Refused || (400..500).contains(&code));
    }
}
