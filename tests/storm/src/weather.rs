//! What goes wrong at the shop, and when.

use crate::broken::Broken;
use crate::plan::Plan;
use fastrand::Rng;
use pretend::{Fault, Faults};
use std::time::Duration;
use sync::connections::Limits;

/// How long the senders wait for the shop, short enough for a storm.
pub(crate) const LIMITS: Limits = Limits {
    connect: Duration::from_millis(500),
    read: Duration::from_millis(80),
    whole: Duration::from_millis(120),
};
/// For a shop without faults on a busy machine.
pub(crate) const PATIENT: Limits =
    Limits { connect: Duration::from_secs(5), read: Duration::from_secs(10), whole: Duration::from_secs(20) };
/// Slow, but within the limits.
const SLOW_MS: u64 = 8;
/// So slow that nobody waits any more when it takes effect.
const LATE_MS: u64 = 160;
/// An error page too large to read to the end.
const HUGE: usize = 10_000_000;
/// The most kinds of faults at once.
const KINDS: usize = 4;

/// The shop without faults, except for its clock and its missing revisions.
pub(crate) fn calm(plan: &Plan) -> Faults {
    Faults {
        clock_off_ms: plan.clock_off_ms,
        lets_stale_through: plan.plain_shop,
        page: plan.page,
        shifts_percent: plan.shifts_percent,
        whole_seconds: plan.whole_seconds,
        ..Faults::default()
    }
}

pub(crate) fn draw(plan: &Plan, dice: &mut Rng) -> Faults {
    let kinds = match plan.broken {
        Broken::StaleOverwrites => vec![Fault::Slow { millis: LATE_MS }],
        Broken::SaysYesAndDoesNothing => {
            vec![Fault::Status { code: 200, retry_after: None, acts: false }]
        }
        _ => (0..dice.usize(1..=KINDS)).map(|_| kind(dice)).collect(),
    };
    Faults {
        percent: dice.u8(10..=100),
        kinds,
        twice_percent: if dice.bool() { dice.u8(0..=60) } else { 0 },
        shuffled: dice.bool(),
        lost_percent: if dice.u8(0..3) == 0 { dice.u8(0..=100) } else { 0 },
        ..calm(plan)
    }
}

fn kind(dice: &mut Rng) -> Fault {
    match dice.u8(0..20) {
        0..=1 => Fault::Slow { millis: SLOW_MS },
        2 => Fault::Slow { millis: LATE_MS },
        3..=4 => Fault::ResetBefore,
        5..=7 => Fault::ResetAfter,
        8..=9 => Fault::CutBody,
        10 => Fault::Drip { millis: 1 },
        11 => Fault::WrongType,
        12 if dice.u8(0..4) == 0 => Fault::HugePage { bytes: HUGE, acts: dice.bool() },
        13..=14 => {
            let retry_after = dice.bool().then(|| dice.u32(0..3_600));
            Fault::Status { code: if dice.bool() { 429 } else { 503 }, retry_after, acts: false }
        }
        15 => Fault::Status { code: dice.u16(300..400), retry_after: None, acts: false },
        _ => Fault::Status { code: dice.u16(400..600), retry_after: None, acts: dice.bool() },
    }
}
