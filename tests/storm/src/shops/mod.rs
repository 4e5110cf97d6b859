//! The shops of the storms: the pretend one, and three of our own with different habits.
//!
//! Each is connected only by the text of a connection, and a storm does the same with each.

mod book;
mod desk;
mod lots;
mod plates;
mod rooms;
mod stock;

use crate::plan::Plan;
use crate::{Doing, StormError};
pub(crate) use lots::{DEAR, NOT_DEAR};

use book::ShopClock;
use desk::Foreign;
use ledger::{Clock, ManualClock};
use pretend::{Counts, Faults, HookSecret, HooksTo, Now, Options, OrderState, Running};
use rust_decimal::Decimal;
use std::net::Ipv4Addr;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShopKind {
    /// The demo's own: revisions, webhooks, and lists in several forms.
    Pretend,
    /// Stock deep inside a document with an `ETag`, and orders after a lasting mark.
    Rooms,
    /// Many wares per request with an answer for each, numbered pages, a limit on requests, grams and cents.
    Lots,
    /// Its own numbers for listings, orders newest first, and no pages.
    Plates,
}

impl ShopKind {
    pub const ALL: [Self; 4] = [Self::Pretend, Self::Rooms, Self::Lots, Self::Plates];

    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// Its name in the settings of the storms.
    pub fn name(self) -> &'static str {
        match self {
            Self::Pretend => "pretend",
            Self::Rooms => "rooms",
            Self::Lots => "lots",
            Self::Plates => "plates",
        }
    }
}

/// A line of an order, or a refund of one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct OrderLine {
    pub(crate) code: String,
    /// Negative for a refund; zero if only money was refunded.
    pub(crate) count: Decimal,
    /// The price of one, or the money that was refunded without goods.
    pub(crate) each: Decimal,
    pub(crate) back: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Order {
    pub(crate) number: String,
    pub(crate) state: OrderState,
    pub(crate) lines: Vec<OrderLine>,
    /// Counts the changes of all orders.
    pub(crate) change: u64,
}

impl From<&pretend::Bought> for Order {
    fn from(of: &pretend::Bought) -> Self {
        let line = |line: &pretend::Line| OrderLine {
            code: line.code.clone(),
            count: line.count,
            each: line.each,
            back: line.back.clone(),
        };
        Self {
            number: of.reference.clone(),
            state: of.state,
            lines: of.lines.iter().map(line).collect(),
            change: of.change,
        }
    }
}

#[derive(Clone, Debug)]
pub(crate) struct Shown {
    pub(crate) sku: String,
    pub(crate) have: Decimal,
    /// Whether the shop listed it without the house.
    pub(crate) is_own: bool,
}

impl From<pretend::Shown> for Shown {
    fn from(good: pretend::Shown) -> Self {
        Self { sku: good.sku, have: good.have, is_own: good.revision == 0 }
    }
}

/// What a shop knew at a time.
#[derive(Clone, Debug)]
pub(crate) enum Backup {
    Pretend(Box<pretend::Backup>),
    Foreign(Box<book::Backup>),
}

impl Backup {
    pub(crate) fn orders(&self) -> Vec<Order> {
        match self {
            Self::Pretend(backup) => backup.orders().iter().map(Order::from).collect(),
            Self::Foreign(backup) => backup.orders(),
        }
    }
}

#[derive(Debug)]
pub(crate) enum Shop {
    Pretend(Box<Running>),
    Foreign(Foreign),
}

impl Shop {
    /// Opens the plan's shop. Its webhooks go to the address, signed with the secret.
    pub(crate) async fn open(
        plan: &Plan,
        (house, ahead_ms): (&Arc<ManualClock>, &Arc<AtomicI64>),
        faults: Faults,
        (hooks_to, hook_secret): (String, &str),
        secret: &str,
    ) -> Result<Self, StormError> {
        let clock = ShopClock { house: Arc::clone(house), ahead_ms: Arc::clone(ahead_ms) };
        if plan.shop != ShopKind::Pretend {
            return Foreign::open(plan, clock, faults, secret, (hooks_to, hook_secret))
                .await
                .map(Self::Foreign);
        }
        let ShopClock { house, ahead_ms } = clock;
        let secrets = vec![HookSecret::parse(hook_secret).doing("read the hooks' secret")?];
        let hooks = HooksTo { address: hooks_to, secrets, by_itself: false };
        let options = Options {
            listen: (Ipv4Addr::LOCALHOST, 0).into(),
            secret: plan.shape.secret.then(|| secret.to_owned()),
            hooks: plan.shape.hooks.then_some(hooks),
            faults,
            seed: plan.seed,
            first_order: 640,
            clock: Now::by(move || house.now().millis() - ahead_ms.load(Ordering::SeqCst)),
        };
        let running = pretend::Shop::start(options).await.doing("open the pretend shop")?;
        Ok(Self::Pretend(Box::new(running)))
    }

    pub(crate) fn base(&self) -> String {
        match self {
            Self::Pretend(shop) => shop.base(),
            Self::Foreign(shop) => shop.base(),
        }
    }

    pub(crate) fn goods(&self) -> Vec<Shown> {
        match self {
            Self::Pretend(shop) => shop.goods().into_iter().map(Shown::from).collect(),
            Self::Foreign(shop) => shop.goods(),
        }
    }

    /// What it shows of a SKU, listed or not; one entry per listing.
    pub(crate) fn good(&self, sku: &str) -> Vec<Shown> {
        match self {
            Self::Pretend(shop) => shop.good(sku).map(Shown::from).into_iter().collect(),
            Self::Foreign(shop) => shop.goods().into_iter().filter(|shown| shown.sku == sku).collect(),
        }
    }

    /// Adds a listing that the house never sent.
    pub(crate) fn put_own(&self, sku: &str, name: &str, price: Decimal, count: Decimal) {
        match self {
            Self::Pretend(shop) => shop.put_own(sku, name, price, count),
            Self::Foreign(shop) => shop.change(|book| book.put_own(sku, price, count)),
        }
    }

    /// Somebody buys; returns whether there was enough.
    pub(crate) fn buy(&self, wanted: &[(String, Decimal)], buyer: &str, is_paid: bool) -> bool {
        match self {
            Self::Pretend(shop) => shop.buy(wanted, buyer, is_paid).is_ok(),
            Self::Foreign(shop) => shop.change(|book| book.buy(wanted, buyer, is_paid)),
        }
    }

    // What is no longer possible is refused, which is fine: it was possible a moment ago.

    pub(crate) fn pay(&self, number: &str) {
        match self {
            Self::Pretend(shop) => drop(shop.pay(number)),
            Self::Foreign(shop) => shop.change(|book| book.pay(number)),
        }
    }

    pub(crate) fn cancel(&self, number: &str) {
        match self {
            Self::Pretend(shop) => drop(shop.cancel(number)),
            Self::Foreign(shop) => shop.change(|book| book.cancel(number)),
        }
    }

    /// Cancels one line of an order.
    pub(crate) fn cancel_line(&self, number: &str, sku: &str) {
        match self {
            Self::Pretend(shop) => drop(shop.cancel_line(number, sku)),
            Self::Foreign(shop) => shop.change(|book| book.cancel_line(number, sku)),
        }
    }

    pub(crate) fn refund(&self, number: &str, line: &OrderLine) {
        match self {
            Self::Pretend(shop) => drop(shop.refund(number, &line.code, line.count)),
            Self::Foreign(shop) => shop.change(|book| book.refund(number, &line.code)),
        }
    }

    pub(crate) fn orders(&self) -> Vec<Order> {
        match self {
            Self::Pretend(shop) => shop.orders().iter().map(Order::from).collect(),
            Self::Foreign(shop) => {
                shop.change(|book| book.orders.iter().map(|bought| bought.order.clone()).collect())
            }
        }
    }

    /// What it knows now, to be restored later.
    pub(crate) fn back_up(&self) -> Backup {
        match self {
            Self::Pretend(shop) => Backup::Pretend(Box::new(shop.back_up())),
            Self::Foreign(shop) => Backup::Foreign(Box::new(shop.change(|book| book.back_up()))),
        }
    }

    /// Restores that. Another shop's backup is ignored.
    pub(crate) fn put_back(&self, backup: Backup) {
        match (self, backup) {
            (Self::Pretend(shop), Backup::Pretend(backup)) => shop.put_back(*backup),
            (Self::Foreign(shop), Backup::Foreign(backup)) => shop.change(|book| book.put_back(*backup)),
            (Self::Pretend(_), Backup::Foreign(_)) | (Self::Foreign(_), Backup::Pretend(_)) => {}
        }
    }

    /// What goes wrong from now on.
    pub(crate) fn set_faults(&self, faults: Faults) {
        match self {
            Self::Pretend(shop) => shop.set_faults(faults),
            Self::Foreign(shop) => shop.change(|book| book.faults = faults),
        }
    }

    /// The requests that it has received so far.
    pub(crate) fn counts(&self) -> Counts {
        match self {
            Self::Pretend(shop) => shop.counts(),
            Self::Foreign(shop) => shop.change(|book| book.counts),
        }
    }

    /// Sends the webhooks that are due.
    pub(crate) async fn send_hooks(&self) {
        match self {
            Self::Pretend(shop) => {
                shop.send_hooks().await;
            }
            Self::Foreign(shop) => shop.send_hooks().await,
        }
    }

    /// Webhooks that wait to be sent or repeated.
    pub(crate) fn hooks_waiting(&self) -> usize {
        match self {
            Self::Pretend(shop) => shop.hooks_waiting(),
            Self::Foreign(shop) => shop.change(|book| book.outbound.waiting()),
        }
    }
}
