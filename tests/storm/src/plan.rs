//! What a seed draws: the connection, the shop, and how much happens.

use crate::broken::Broken;
use crate::shops::ShopKind;
use domain::day::Moment;
use fastrand::Rng;
use testkit::Engine;

/// 2026-06-15T12:00:00Z, a Monday.
pub(crate) const START: Moment = Moment::from_millis(1_781_524_800_000);
const HOUR_MS: i64 = 3_600_000;
/// The habits of our own shops are drawn separately, so that a seed means the same storm for each shop.
const OF_OURS: u64 = 0x6f75_7273;
/// How many requests a shop that counts them accepts in a row: fewer than a round may need.
const REQUESTS: std::ops::RangeInclusive<u32> = 8..=60;
/// How wrong the shop's clock may be, in hours either way. Orders more than a day ahead are rejected.
pub(crate) const CLOCK_OFF_HOURS: i64 = 9;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Poll {
    /// By time, and by links that lead on from the last change.
    Since,
    Mark,
    /// By time, and by page numbers.
    Numbers,
    /// By time, and by a cursor that is valid for one reading.
    Places,
}

/// Which optional keys the connection has.
#[allow(clippy::struct_excessive_bools)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Shape {
    pub(crate) stock_alone: bool,
    pub(crate) new: bool,
    pub(crate) end: bool,
    pub(crate) batch: bool,
    pub(crate) poll: Poll,
    /// Minutes that a reading goes back.
    pub(crate) overlap: u8,
    /// Whether a single order can be fetched.
    pub(crate) one: bool,
    pub(crate) hooks: bool,
    pub(crate) listed: bool,
    pub(crate) lists_new_pieces: bool,
    pub(crate) secret: bool,
}

/// What one of our own shops does beyond what all of its kind do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Habits {
    /// Rooms: refuses a document without its `ETag` and an unknown mark. Lots: refuses a page after the last
    /// one. Plates:
    /// refuses a second listing of a SKU.
    pub(crate) is_strict: bool,
    /// Plates: after it is restored, it assigns its numbers a second time.
    pub(crate) reuses_numbers: bool,
    /// Lots: requests that are accepted in a row.
    pub(crate) requests: u32,
}

#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is drawn by itself")]
pub(crate) struct Plan {
    pub(crate) seed: u64,
    pub(crate) engine: Engine,
    pub(crate) broken: Broken,
    pub(crate) shop: ShopKind,
    pub(crate) habits: Habits,
    pub(crate) shape: Shape,
    /// A shop without revisions or `ETag`s: only the sender's own order helps.
    pub(crate) plain_shop: bool,
    pub(crate) clock_off_ms: i64,
    /// Orders per page of its list.
    pub(crate) page: usize,
    /// How often its list shifts while it is read, in percent of pages.
    pub(crate) shifts_percent: u8,
    pub(crate) whole_seconds: bool,
    /// Whether clocks jump: the house's, and the shop's.
    pub(crate) clocks_jump: bool,
    /// Whether the shop is restored to an earlier state. Only a comparison of its list shows that.
    pub(crate) is_put_back: bool,
    pub(crate) pieces: usize,
    pub(crate) steps: usize,
}

impl Plan {
    /// Every shop draws the same; what it cannot use is ignored.
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
            // A comparison corrects what an outdated message left behind.
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
            // A list with a mark returns a state only once: then it must be possible to fetch the order itself.
            whole_seconds: is_calm && (shape.one || shape.poll != Poll::Mark) && dice.u8(0..3) == 0,
            clocks_jump: is_calm && dice.u8(0..3) == 0,
            // A connection that sends only stock cannot recreate listings that the shop has forgotten.
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

    /// For one of our own shops, whose text says most of it. None of them has revisions, and comparisons always
    /// correct.
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
            // A comparison corrects what is broken.
            listed: is_calm || self.shop == ShopKind::Plates,
            lists_new_pieces,
            secret: true,
        };
        self
    }
}
