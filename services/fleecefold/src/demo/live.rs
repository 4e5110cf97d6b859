//! The half year in which the shop uses this program, day by day. Every step is a command that the Counter,
//! the Workbench or the online shop would send, at the moment when it would.

use super::SEED;
use super::calendar::Calendar;
use super::counter::Certificate;
use super::people;
use super::promises::Promise;
use super::regulars::Regulars;
use super::rng::Rng;
use super::season::{self, Door};
use super::shelf::{Shelf, Wanted};
use super::trouble::{DemoError, Doing};
use domain::day::{Moment, Zone};
use domain::money::Currency;
use domain::quantity::{Asked, Measure, Quantity};
use domain::stock::{ItemKind, StockReason};
use jiff::civil::{Date, Weekday};
use ledger::shelf::{AddItems, AdjustStock, Counted, NewItem};
use ledger::{Ledger, ManualClock};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The days on which finished pieces are weighed, besides the last one.
const WORKBENCH_DAYS: [Weekday; 2] = [Weekday::Tuesday, Weekday::Friday];
/// When new pieces are weighed, and when losses are recorded, in minutes of the day.
const WORKBENCH_MINUTE: i64 = 420;
const EVENING_MINUTE: i64 = 1_260;
/// The day of the month on which stock is looked through.
const LOOK_THROUGH: i8 = 20;
/// Counted goods are usually made again once this few are left.
const FEW: i64 = 3;
const MADE_AGAIN: i64 = 60;

/// The shop while the half year runs.
#[derive(Debug)]
pub(super) struct Live {
    pub(super) ledger: Ledger,
    pub(super) clock: Arc<ManualClock>,
    pub(super) zone: Zone,
    pub(super) currency: Currency,
    pub(super) dice: Rng,
    pub(super) calendar: Calendar,
    pub(super) regulars: Regulars,
    pub(super) shelf: Shelf,
    pub(super) day: Date,
    pub(super) promises: BTreeMap<Date, Vec<Promise>>,
    /// The last piece sold at the counter, which an online order may still ask for.
    pub(super) just_sold: Option<Wanted>,
    /// Gift certificates that are not spent, and what their numbers are drawn with.
    pub(super) certificates: Vec<Certificate>,
    pub(super) certificate_dice: Rng,
    pub(super) orders: usize,
    pub(super) sales: usize,
    pub(super) refunds: usize,
    to_finish: Vec<NewItem>,
    /// How many there were at first.
    all_to_finish: usize,
}

impl Live {
    /// Starts with the first pieces in stock; the rest are finished month by month.
    pub(super) fn new(
        ledger: &Ledger,
        clock: &Arc<ManualClock>,
        calendar: Calendar,
        regulars: Regulars,
        shelf: Shelf,
        to_finish: Vec<NewItem>,
    ) -> Self {
        let shop = ledger.shop();
        Self {
            ledger: ledger.clone(),
            clock: Arc::clone(clock),
            zone: shop.zone.clone(),
            currency: shop.currency,
            dice: Rng::new(SEED + 1),
            shelf,
            day: calendar.opening,
            calendar,
            regulars,
            promises: BTreeMap::new(),
            just_sold: None,
            certificates: Vec::new(),
            certificate_dice: Rng::new(!SEED),
            orders: 0,
            sales: 0,
            refunds: 0,
            all_to_finish: to_finish.len(),
            to_finish,
        }
    }

    pub(super) async fn play(&mut self) -> Result<(), DemoError> {
        while self.day <= self.calendar.last {
            self.keep_promises().await?;
            if WORKBENCH_DAYS.contains(&self.day.weekday()) || self.day == self.calendar.last {
                self.finish().await?;
            }
            if self.day.day() == 1 && self.day > self.calendar.opening {
                self.make_again().await?;
            }
            self.open_doors().await?;
            if self.day.day() == LOOK_THROUGH {
                self.look_through().await?;
            }
            self.day = self.day.tomorrow().doing("turn a page of the calendar")?;
        }
        self.day = self.calendar.last;
        self.close_up().await
    }

    async fn open_doors(&mut self) -> Result<(), DemoError> {
        for visit in season::visits(&mut self.dice, self.day, &self.zone)? {
            self.clock.set(visit.rung_up);
            if visit.door == Door::Online {
                self.order(visit).await?;
            } else {
                self.serve(visit).await?;
            }
        }
        Ok(())
    }

    /// Weighs and prices the pieces that were finished since the last time.
    async fn finish(&mut self) -> Result<(), DemoError> {
        let done = self.calendar.done_by(self.day, self.all_to_finish)?;
        let count = (done + self.to_finish.len()).saturating_sub(self.all_to_finish);
        let items: Vec<NewItem> = self.to_finish.drain(..count.min(self.to_finish.len())).collect();
        if items.is_empty() {
            return Ok(());
        }
        self.clock.set(season::moment(&self.zone, self.day, WORKBENCH_MINUTE)?);
        let add = AddItems { items, who: self.family(), progress: None };
        let added = self.ledger.execute(None, &add).await.doing("add its pieces")?;
        self.shelf.put(&add.items, &added.answer)
    }

    /// Most counted goods that run low are made or bought again; the rest stay sold out.
    async fn make_again(&mut self) -> Result<(), DemoError> {
        for at in self.shelf.with_left(ItemKind::Counted, 0, &[]) {
            let good = self.shelf.good(at)?;
            if good.left > FEW || !self.dice.chance(MADE_AGAIN) {
                continue;
            }
            let more = self.dice.between(6, 18);
            let what = Counted::More(asked(more, Measure::Units)?);
            self.adjust(at, what, "made again").await?;
            self.shelf.change(at, more);
        }
        Ok(())
    }

    /// One piece is spoiled, one is given away, and an open bag of roving is weighed again.
    async fn look_through(&mut self) -> Result<(), DemoError> {
        self.clock.set(season::moment(&self.zone, self.day, EVENING_MINUTE)?);
        for (why, note) in [(StockReason::Damage, "moths"), (StockReason::Gift, "for the school's raffle")] {
            if let Some(at) = self.shelf.one_left(&mut self.dice, ItemKind::Piece, 1, &[]) {
                self.adjust(at, Counted::Less(Asked::ONE, why), note).await?;
                self.shelf.change(at, -1);
            }
        }
        /// What dust and moisture may take from a bag, in thousandths of an ounce. Invented.
        const SHRUNK: i64 = 150;
        if let Some(at) = self.shelf.one_left(&mut self.dice, ItemKind::Weight, SHRUNK, &[]) {
            let (left, measure) = (self.shelf.good(at)?.left - SHRUNK, self.shelf.good(at)?.measure);
            self.adjust(at, Counted::Is(asked(left, measure)?), "weighed again").await?;
            self.shelf.change(at, -SHRUNK);
        }
        Ok(())
    }

    async fn adjust(&mut self, at: usize, what: Counted, note: &str) -> Result<(), DemoError> {
        let code = self.shelf.good(at)?.code.clone();
        let adjust = AdjustStock { code, what, note: note.to_owned(), who: self.family() };
        self.ledger.execute(None, &adjust).await.doing("write down a stock entry")?;
        Ok(())
    }

    /// A member of the family, for the activity log.
    pub(super) fn family(&mut self) -> String {
        people::at_the_counter(&mut self.dice)
    }

    pub(super) fn clock_now(&self) -> Moment {
        self.ledger.now()
    }
}

fn asked(stock_units: i64, measure: Measure) -> Result<Asked, DemoError> {
    let quantity = Quantity::from_stock_units(stock_units, measure).doing("read a quantity")?;
    Ok(Asked { value: quantity.value(), unit: None })
}
