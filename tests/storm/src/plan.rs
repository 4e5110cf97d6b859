//! What a seed draws: the connection, the shop, and how much happens.

use crate::broken::Broken;
use crate::ground::Engine;
use domain::day::Moment;
use fastrand::Rng;

/// 2026-06-15T12:00:00Z, a Monday.
pub(crate) const START: Moment = Moment::from_millis(1_781_524_800_000);
const HOUR_MS: i64 = 3_600_000;
/// How wrong the shop's clock may be, in hours either way. Orders more than a day ahead are refused.
const CLOCK_OFF_HOURS: i64 = 9;

/// How orders are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Poll {
    Since,
    Cursor,
}

/// How the connection is set up: it has each of these, or not.
#[allow(clippy::struct_excessive_bools)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Shape {
    pub(crate) stock_alone: bool,
    pub(crate) new: bool,
    pub(crate) end: bool,
    pub(crate) batch: bool,
    pub(crate) poll: Poll,
    pub(crate) hooks: bool,
    pub(crate) listed: bool,
    pub(crate) lists_new_pieces: bool,
    pub(crate) secret: bool,
}

/// A storm before it breaks.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) seed: u64,
    pub(crate) engine: Engine,
    pub(crate) broken: Broken,
    pub(crate) shape: Shape,
    /// A shop that knows no revisions and no `ETag`: the sender's own order is all that helps.
    pub(crate) plain_shop: bool,
    pub(crate) clock_off_ms: i64,
    pub(crate) pieces: usize,
    pub(crate) steps: usize,
}

impl Plan {
    pub(crate) fn draw(seed: u64, engine: Engine, broken: Broken) -> (Self, Rng) {
        let mut dice = Rng::with_seed(seed);
        let stock_alone = dice.u8(0..6) == 0;
        let shape = Shape {
            stock_alone,
            new: !stock_alone && dice.bool(),
            end: dice.bool(),
            batch: !stock_alone && dice.u8(0..3) == 0,
            poll: if dice.bool() { Poll::Since } else { Poll::Cursor },
            hooks: dice.bool() || matches!(broken, Broken::OrdersTwice | Broken::OrdersLost),
            listed: dice.u8(0..3) == 0,
            lists_new_pieces: dice.bool(),
            secret: dice.bool(),
        };
        let is_off = dice.u8(0..3) == 0;
        let off = dice.i64(-CLOCK_OFF_HOURS..=CLOCK_OFF_HOURS) * HOUR_MS;
        let plan = Self {
            seed,
            engine,
            broken,
            shape,
            plain_shop: dice.u8(0..4) == 0 || broken == Broken::StaleOverwrites,
            clock_off_ms: if is_off { off } else { 0 },
            pieces: dice.usize(2..=8),
            steps: dice.usize(20..=50),
        };
        (plan, dice)
    }
}
