//! The shops that storms break over: the pretend one, and three of our own with habits unlike its.
//!
//! None of them is told anything but by the text of a connection, and a storm does the same with each.

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

/// Which shop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShopKind {
    /// The demo's own: revisions, hooks, and lists in several ways.
    Pretend,
    /// Stock deep inside a document with an `ETag`, and orders behind a lasting mark.
    Rooms,
    /// Many at once with an answer for each, pages by number, a limit of requests, grams and cents.
    Lots,
    /// Numbers of its own for what it lists, orders newest first, and no pages.
    Plates,
}

impl ShopKind {
    /// Every one.
    pub const ALL: [Self; 4] = [Self::Pretend, Self::Rooms, Self::Lots, Self::Plates];

    /// By its name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// As the storms' settings name it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Pretend => "pretend",
            Self::Rooms => "rooms",
            Self::Lots => "lots",
            Self::Plates => "plates",
        }
    }
}

/// A line of an order, or a part of one that was given back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct OrderLine {
    pub(crate) code: String,
    /// Below nothing if it was given back; nothing where money alone was.
    pub(crate) count: Decimal,
    /// Of one, or the money that was given back alone.
    pub(crate) each: Decimal,
    /// The number under which it was given back.
    pub(crate) back: Option<String>,
}

/// An order at a shop.
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

/// A listing at a shop.
#[derive(Clone, Debug)]
pub(crate) struct Shown {
    pub(crate) sku: String,
    pub(crate) have: Decimal,
    /// Whether the shop lists it by itself, and was never told of it.
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

/// A shop while it is open.
#[derive(Debug)]
pub(crate) enum Shop {
    Pretend(Box<Running>),
    Foreign(Foreign),
}

impl Shop {
    /// Opens the one of the plan. Its hooks go to the address, signed with the secret.
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

    /// Where it is.
    pub(crate) fn base(&self) -> String {
        match self {
            Self::Pretend(shop) => shop.base(),
            Self::Foreign(shop) => shop.base(),
        }
    }

    /// All that is listed.
    pub(crate) fn goods(&self) -> Vec<Shown> {
        match self {
            Self::Pretend(shop) => shop.goods().into_iter().map(Shown::from).collect(),
            Self::Foreign(shop) => shop.goods(),
        }
    }

    /// What it has of a sku, listed or not; once for each time that it lists it.
    pub(crate) fn good(&self, sku: &str) -> Vec<Shown> {
        match self {
            Self::Pretend(shop) => shop.good(sku).map(Shown::from).into_iter().collect(),
            Self::Foreign(shop) => shop.goods().into_iter().filter(|shown| shown.sku == sku).collect(),
        }
    }

    /// Something of its own, which nobody told it of.
    pub(crate) fn put_own(&self, sku: &str, name: &str, price: Decimal, count: Decimal) {
        match self {
            Self::Pretend(shop) => shop.put_own(sku, name, price, count),
            Self::Foreign(shop) => shop.change(|book| book.put_own(sku, price, count)),
        }
    }

    /// Somebody buys; whether there is so much.
    pub(crate) fn buy(&self, wanted: &[(String, Decimal)], buyer: &str, is_paid: bool) -> bool {
        match self {
            Self::Pretend(shop) => shop.buy(wanted, buyer, is_paid).is_ok(),
            Self::Foreign(shop) => shop.change(|book| book.buy(wanted, buyer, is_paid)),
        }
    }

    // What cannot be done any more is refused, which is as good: it was looked at a moment ago.

    /// The money of an order came.
    pub(crate) fn pay(&self, number: &str) {
        match self {
            Self::Pretend(shop) => drop(shop.pay(number)),
            Self::Foreign(shop) => shop.change(|book| book.pay(number)),
        }
    }

    /// An order is called off.
    pub(crate) fn cancel(&self, number: &str) {
        match self {
            Self::Pretend(shop) => drop(shop.cancel(number)),
            Self::Foreign(shop) => shop.change(|book| book.cancel(number)),
        }
    }

    /// One line of an order is called off.
    pub(crate) fn cancel_line(&self, number: &str, sku: &str) {
        match self {
            Self::Pretend(shop) => drop(shop.cancel_line(number, sku)),
            Self::Foreign(shop) => shop.change(|book| book.cancel_line(number, sku)),
        }
    }

    /// The money of a line is given back.
    pub(crate) fn refund(&self, number: &str, line: &OrderLine) {
        match self {
            Self::Pretend(shop) => drop(shop.refund(number, &line.code, line.count)),
            Self::Foreign(shop) => shop.change(|book| book.refund(number, &line.code)),
        }
    }

    /// Every order.
    pub(crate) fn orders(&self) -> Vec<Order> {
        match self {
            Self::Pretend(shop) => shop.orders().iter().map(Order::from).collect(),
            Self::Foreign(shop) => {
                shop.change(|book| book.orders.iter().map(|bought| bought.order.clone()).collect())
            }
        }
    }

    /// What it knows now, to be put back later.
    pub(crate) fn back_up(&self) -> Backup {
        match self {
            Self::Pretend(shop) => Backup::Pretend(Box::new(shop.back_up())),
            Self::Foreign(shop) => Backup::Foreign(Box::new(shop.change(|book| book.back_up()))),
        }
    }

    /// Puts it back to what it knew then. A backup of another shop's is nobody's.
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

    /// What was asked of it so far.
    pub(crate) fn counts(&self) -> Counts {
        match self {
            Self::Pretend(shop) => shop.counts(),
            Self::Foreign(shop) => shop.change(|book| book.counts),
        }
    }

    /// Sends the hooks that are due now.
    pub(crate) async fn send_hooks(&self) {
        match self {
            Self::Pretend(shop) => {
                shop.send_hooks().await;
            }
            Self::Foreign(shop) => shop.send_hooks().await,
        }
    }

    /// Hooks that wait to be sent, or to be tried again.
    pub(crate) fn hooks_waiting(&self) -> usize {
        match self {
            Self::Pretend(shop) => shop.hooks_waiting(),
            Self::Foreign(shop) => shop.change(|book| book.outbound.waiting()),
        }
    }
}
