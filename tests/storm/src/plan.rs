//! What a seed draws: the connection, the shop, and how much happens.

use crate::broken::Broken;
use crate::ground::Engine;
use crate::shops::ShopKind;
use domain::day::Moment;
use fastrand::Rng;

/// 2026-06-15T12:00:00Z, a Monday.
pub(crate) const START: Moment = Moment::from_millis(1_781_524_800_000);
const HOUR_MS: i64 = 3_600_000;
/// What a shop of ours is like is drawn apart, so that a seed is the same storm for each.
const OF_OURS: u64 = 0x6f75_7273;
/// How many requests are let in together by a shop that counts them: fewer than a round may need.
const REQUESTS: std::ops::RangeInclusive<u32> = 8..=60;
/// How wrong the shop's clock may be, in hours either way. Orders more than a day ahead are refused.
pub(crate) const CLOCK_OFF_HOURS: i64 = 9;

/// How orders are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Poll {
    /// By time, and by links that lead on from the last change that was told.
    Since,
    /// By a mark that lasts.
    Mark,
    /// By time, and by the pages' numbers.
    Numbers,
    /// By time, and by a cursor that is a place of one walk.
    Places,
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
    /// Minutes that a walk reaches back.
    pub(crate) overlap: u8,
    /// Whether one order can be asked for.
    pub(crate) one: bool,
    pub(crate) hooks: bool,
    pub(crate) listed: bool,
    pub(crate) lists_new_pieces: bool,
    pub(crate) secret: bool,
}

/// What a shop of ours is like, beyond what all of its kind do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Habits {
    /// Rooms: a document without its `ETag` and a mark that was never given are refused. Lots: a page behind the last
    /// is. Plates: a second one of a sku is.
    pub(crate) is_strict: bool,
    /// Plates: put back to an earlier state, it gives its numbers once more.
    pub(crate) reuses_numbers: bool,
    /// Lots: requests that are let in together.
    pub(crate) requests: u32,
}

/// A storm before it breaks.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is drawn by itself")]
pub(crate) struct Plan {
    pub(crate) seed: u64,
    pub(crate) engine: Engine,
    pub(crate) broken: Broken,
    pub(crate) shop: ShopKind,
    pub(crate) habits: Habits,
    pub(crate) shape: Shape,
    /// A shop that knows no revisions and no `ETag`: the sender's own order is all that helps.
    pub(crate) plain_shop: bool,
    pub(crate) clock_off_ms: i64,
    /// Orders on a page of its list.
    pub(crate) page: usize,
    /// How often its list shifts while it is read, in percent of pages.
    pub(crate) shifts_percent: u8,
    pub(crate) whole_seconds: bool,
    /// Whether clocks jump: the house's, and the shop's.
    pub(crate) clocks_jump: bool,
    /// Whether the shop is put back to an earlier state. Only a list of what it has says so.
    pub(crate) is_put_back: bool,
    pub(crate) pieces: usize,
    pub(crate) steps: usize,
}

impl Plan {
    /// The draws are the same for each shop; what it has no use for is left aside.
    pub(crate) fn draw(seed: u64, engine: Engine, broken: Broken, shop: ShopKind) -> (Self, Rng) {
        let mut dice = Rng::with_seed(seed);
        let stock_alone = dice.u8(0..6) == 0;
        let shape = Shape {
            stock_alone,
            new: !stock_alone && dice.bool(),
            end: dice.bool(),
            batch: !stock_alone && dice.u8(0..3) == 0,
            poll: [Poll::Since, Poll::Mark, Poll::Numbers, Poll::Places][dice.usize(0..4)],
            overlap: if dice.bool() { 1 } else { 10 },
            one: dice.bool(),
            hooks: dice.bool() || matches!(broken, Broken::OrdersTwice | Broken::OrdersLost),
            // A comparison mends what a stale message left behind.
            listed: dice.u8(0..3) == 0 && broken != Broken::StaleOverwrites,
            lists_new_pieces: dice.bool(),
            secret: dice.bool(),
        };
        let is_off = dice.u8(0..3) == 0;
        let off = dice.i64(-CLOCK_OFF_HOURS..=CLOCK_OFF_HOURS) * HOUR_MS;
        let is_calm = broken == Broken::No;
        let plan = Self {
            page: dice.usize(2..=5),
            shifts_percent: if dice.bool() { dice.u8(0..=30) } else { 0 },
            // A list by a mark tells of a state once: then the order itself must be there to be asked for.
            whole_seconds: is_calm && (shape.one || shape.poll != Poll::Mark) && dice.u8(0..3) == 0,
            clocks_jump: is_calm && dice.u8(0..3) == 0,
            // Who tells stock alone cannot list again what the shop has forgotten.
            is_put_back: is_calm && shape.listed && !stock_alone && dice.u8(0..3) > 0,
            seed,
            engine,
            broken,
            shop,
            habits: Habits { is_strict: false, reuses_numbers: false, requests: u32::MAX },
            shape,
            plain_shop: dice.u8(0..4) == 0 || broken == Broken::StaleOverwrites,
            clock_off_ms: if is_off { off } else { 0 },
            pieces: dice.usize(2..=8),
            steps: dice.usize(20..=50),
        };
        (if shop == ShopKind::Pretend { plan } else { plan.of_ours() }, dice)
    }

    /// For a shop of ours, whose text says most of it. None of them knows revisions, and a comparison always mends.
    fn of_ours(mut self) -> Self {
        let mut dice = Rng::with_seed(self.seed ^ OF_OURS);
        let Shape { overlap, one, lists_new_pieces, hooks, .. } = self.shape;
        self.habits =
            Habits { is_strict: dice.bool(), reuses_numbers: dice.bool(), requests: dice.u32(REQUESTS) };
        let is_mark = self.shop == ShopKind::Rooms;
        let is_calm = self.broken == Broken::No;
        self.whole_seconds = is_calm && (one || !is_mark) && dice.u8(0..3) == 0;
        self.is_put_back = is_calm && dice.u8(0..3) == 0;
        self.plain_shop = true;
        self.shape = Shape {
            stock_alone: false,
            new: self.shop == ShopKind::Plates,
            end: self.shop == ShopKind::Plates,
            batch: self.shop == ShopKind::Lots,
            poll: if is_mark { Poll::Mark } else { Poll::Since },
            overlap,
            one,
            hooks: hooks && self.shop == ShopKind::Plates,
            // A comparison mends what is broken.
            listed: is_calm || self.shop == ShopKind::Plates,
            lists_new_pieces,
            secret: true,
        };
        self
    }
}
