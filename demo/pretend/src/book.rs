//! Who bought what, and what the world is told about it.

use crate::faults::Faults;
use crate::goods::{Conditions, Goods};
use crate::hooks::Outbound;
use crate::keys::Keys;
use crate::passing::Visits;
use crate::shop::Counts;
use crate::time::{self, Now};
use rust_decimal::Decimal;
use serde::Serialize;
use std::time::Instant;

/// Postage for an order, in hundredths. Invented.
const POSTAGE: i64 = 450;
/// The most orders that the shop keeps, to limit its memory.
pub(crate) const MAX_ORDERS: usize = 200_000;

/// The state of an order, by schema.org's `OrderStatus`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum OrderState {
    OrderPaymentDue,
    OrderProcessing,
    OrderCancelled,
}

/// A line of an order, or a refunded part of one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Line {
    pub code: String,
    /// Below 0 for a refund.
    pub count: Decimal,
    pub each: Decimal,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub back: Option<String>,
    /// The message by which the shop believed to have it.
    #[serde(skip)]
    pub(crate) told_by: u64,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bought {
    pub reference: String,
    /// By the shop's clock, in milliseconds since 1970.
    pub placed: i64,
    /// By the shop's clock, which may be wrong.
    pub changed: i64,
    pub state: OrderState,
    pub postage: Decimal,
    pub buyer: String,
    /// What was bought, and what was refunded of it.
    pub lines: Vec<Line>,
    /// Counts the changes of all orders; never goes back, whatever the clock does.
    pub change: u64,
}

/// An order in the form in which it is sent.
#[derive(Serialize)]
struct Told<'a> {
    #[serde(rename = "ref")]
    reference: &'a str,
    placed: String,
    changed: String,
    state: OrderState,
    postage: Decimal,
    buyer: Buyer<'a>,
    lines: &'a [Line],
}

#[derive(Serialize)]
struct Buyer<'a> {
    name: &'a str,
}

impl Bought {
    /// Its form in the list of orders and in a hook.
    pub(crate) fn json(&self, whole_seconds: bool) -> serde_json::Value {
        let changed = if whole_seconds { self.changed - self.changed.rem_euclid(1000) } else { self.changed };
        let told = Told {
            reference: &self.reference,
            placed: time::text(self.placed),
            changed: time::text(changed),
            state: self.state,
            postage: self.postage,
            buyer: Buyer { name: &self.buyer },
            lines: &self.lines,
        };
        // It consists of texts and numbers, which can always be written.
        serde_json::to_value(told).unwrap_or_default()
    }

    /// What the buyer pays, less refunds.
    pub(crate) fn total(&self) -> Decimal {
        self.lines.iter().map(|line| line.count * line.each).sum::<Decimal>() + self.postage
    }

    /// How much of a code was bought and not refunded.
    fn left(&self, sku: &str) -> Decimal {
        self.lines.iter().filter(|line| line.code == sku).map(|line| line.count).sum()
    }
}

/// Why something was not bought, or an order not changed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotBought {
    /// The shop does not have that many.
    #[error("of {sku} there is not so much: {have} can be had")]
    NotEnough { sku: String, have: Decimal },
    #[error("say what you would like to have, and more than nothing of it")]
    Nothing,
    #[error("there is no order {reference}")]
    NoSuchOrder { reference: String },
    /// The order can no longer be changed like this.
    #[error("order {reference} cannot be changed so any more")]
    TooLate { reference: String },
    /// The refund is larger than the order.
    #[error("order {reference} has not so much of {sku} left")]
    MoreThanBought { reference: String, sku: String },
    /// The shop accepts no more orders.
    #[error("the shop's order book is full")]
    Full,
}

/// A message that was accepted, and when by the machine's own clock.
#[derive(Clone, Debug)]
pub struct Remembered {
    pub sku: String,
    pub revision: Option<i64>,
    pub at: Instant,
    /// What it said, byte for byte.
    pub body: Vec<u8>,
}

/// Everything that the shop knows.
#[derive(Debug)]
pub(crate) struct Book {
    pub(crate) goods: Goods,
    pub(crate) orders: Vec<Bought>,
    pub(crate) outbound: Outbound,
    pub(crate) keys: Keys,
    pub(crate) visits: Visits,
    pub(crate) counts: Counts,
    /// Accepted messages, while somebody wants to know about them.
    pub(crate) remembered: Option<Vec<Remembered>>,
    faults: Faults,
    changes: u64,
    backs: u64,
    /// Number of the next order.
    next_order: u64,
    clock: Now,
}

/// What the shop knew at some point.
#[derive(Clone, Debug)]
pub struct Backup {
    goods: Goods,
    orders: Vec<Bought>,
    keys: Keys,
    changes: u64,
}

impl Backup {
    pub fn orders(&self) -> &[Bought] {
        &self.orders
    }
}

impl Book {
    pub(crate) fn new(clock: Now, seed: u64, first_order: u64, has_hooks: bool) -> Self {
        Self {
            goods: Goods::default(),
            orders: Vec::new(),
            outbound: Outbound::new(seed, has_hooks),
            keys: Keys::default(),
            visits: Visits::new(seed),
            counts: Counts::default(),
            remembered: None,
            faults: Faults::default(),
            changes: 0,
            backs: 0,
            next_order: first_order,
            clock,
        }
    }

    pub(crate) fn back_up(&self) -> Backup {
        let (goods, orders, keys) = (self.goods.clone(), self.orders.clone(), self.keys.clone());
        Backup { goods, orders, keys, changes: self.changes }
    }

    /// Restores an earlier state. New orders go on with their numbers, changes are counted on from the earlier
    /// state, and hooks that were waiting are forgotten.
    pub(crate) fn put_back(&mut self, backup: Backup) {
        self.goods.put_back_to(backup.goods);
        (self.orders, self.keys, self.changes) = (backup.orders, backup.keys, backup.changes);
        self.outbound.clear();
    }

    /// An order is touched without a visible change.
    pub(crate) fn touch(&mut self, at: usize) {
        if at < self.orders.len() {
            self.note_change(at);
        }
    }

    pub(crate) fn faults(&self) -> &Faults {
        &self.faults
    }

    pub(crate) fn set_faults(&mut self, faults: Faults) {
        self.faults = faults;
    }

    /// What the shop's clock shows, right or wrong.
    pub(crate) fn now(&self) -> i64 {
        self.clock.millis() + self.faults.clock_off_ms
    }

    /// The true time, by which hooks wait.
    pub(crate) fn true_now(&self) -> i64 {
        self.clock.millis()
    }

    pub(crate) fn remember(&mut self, sku: &str, revision: Option<i64>, body: &[u8]) {
        if let Some(remembered) = &mut self.remembered {
            let (sku, at, body) = (sku.to_owned(), Instant::now(), body.to_vec());
            remembered.push(Remembered { sku, revision, at, body });
        }
    }

    /// The conditions for accepting a message.
    pub(crate) fn conditions(&self, if_match: Option<String>) -> Conditions {
        Conditions { if_match, none_at_all: self.faults.lets_stale_through }
    }

    /// Sells from what the shop believes to have: all of it or nothing.
    pub(crate) fn buy(
        &mut self,
        wanted: &[(String, Decimal)],
        buyer: &str,
        is_paid: bool,
    ) -> Result<String, NotBought> {
        if wanted.is_empty() || wanted.iter().any(|(_, count)| *count <= Decimal::ZERO) {
            return Err(NotBought::Nothing);
        }
        if self.orders.len() >= MAX_ORDERS {
            return Err(NotBought::Full);
        }
        let mut lines: Vec<Line> = Vec::with_capacity(wanted.len());
        for (sku, count) in wanted {
            let good = self.goods.one(sku).map(|(shown, _)| shown);
            let Some(told_by) = self.goods.sell(sku, *count) else {
                for line in &lines {
                    self.goods.put_back(&line.code, line.count, line.told_by);
                }
                let have = good.map_or(Decimal::ZERO, |good| good.have);
                return Err(NotBought::NotEnough { sku: sku.clone(), have });
            };
            let each = good.map_or(Decimal::ZERO, |good| good.price);
            lines.push(Line { code: sku.clone(), count: *count, each, back: None, told_by });
        }
        let reference = self.next_order.to_string();
        self.next_order = self.next_order.saturating_add(1);
        let now = self.now();
        let state = if is_paid { OrderState::OrderProcessing } else { OrderState::OrderPaymentDue };
        self.orders.push(Bought {
            reference: reference.clone(),
            placed: now,
            changed: now,
            state,
            postage: Decimal::new(POSTAGE, 2),
            buyer: buyer.to_owned(),
            lines,
            change: 0,
        });
        self.note_change(self.orders.len() - 1);
        Ok(reference)
    }

    /// An order was changed: its time never goes back, and whoever listens will hear of it.
    fn note_change(&mut self, at: usize) {
        let (now, true_now) = (self.now(), self.true_now());
        let whole_seconds = self.faults.whole_seconds;
        self.changes += 1;
        let order = &mut self.orders[at];
        order.changed = if order.change == 0 { now } else { now.max(order.changed + 1) };
        order.change = self.changes;
        let told = || {
            let body = serde_json::json!({ "bought": [order.json(whole_seconds)] }).to_string();
            (format!("msg_{}", order.change), body)
        };
        self.outbound.add(told, true_now);
    }

    fn place_of(&self, reference: &str) -> Result<usize, NotBought> {
        let no_such = || NotBought::NoSuchOrder { reference: reference.to_owned() };
        self.orders.iter().rposition(|order| order.reference == reference).ok_or_else(no_such)
    }

    pub(crate) fn order(&self, reference: &str) -> Result<&Bought, NotBought> {
        Ok(&self.orders[self.place_of(reference)?])
    }

    pub(crate) fn pay(&mut self, reference: &str) -> Result<(), NotBought> {
        let at = self.place_of(reference)?;
        if self.orders[at].state != OrderState::OrderPaymentDue {
            return Err(NotBought::TooLate { reference: reference.to_owned() });
        }
        self.orders[at].state = OrderState::OrderProcessing;
        self.note_change(at);
        Ok(())
    }

    /// Cancels the whole order: nothing is sent, and everything goes back on sale.
    pub(crate) fn cancel(&mut self, reference: &str) -> Result<(), NotBought> {
        let at = self.place_of(reference)?;
        if self.orders[at].state == OrderState::OrderCancelled {
            return Err(NotBought::TooLate { reference: reference.to_owned() });
        }
        for line in self.orders[at].lines.clone() {
            if line.back.is_none() {
                self.goods.put_back(&line.code, line.count, line.told_by);
            }
        }
        self.orders[at].state = OrderState::OrderCancelled;
        self.note_change(at);
        Ok(())
    }

    /// Cancels one of several lines.
    pub(crate) fn cancel_line(&mut self, reference: &str, sku: &str) -> Result<(), NotBought> {
        let at = self.place_of(reference)?;
        let too_late = || NotBought::TooLate { reference: reference.to_owned() };
        let order = &self.orders[at];
        let is_touched = order.lines.iter().any(|line| line.back.is_some() && line.code == sku);
        let bought = order.lines.iter().filter(|line| line.back.is_none()).count();
        if order.state == OrderState::OrderCancelled || is_touched || bought < 2 {
            return Err(too_late());
        }
        let place = order.lines.iter().position(|line| line.code == sku).ok_or_else(too_late)?;
        let line = self.orders[at].lines.remove(place);
        self.goods.put_back(&line.code, line.count, line.told_by);
        self.note_change(at);
        Ok(())
    }

    /// Refunds a part of an order; nothing goes back on sale.
    pub(crate) fn refund(&mut self, reference: &str, sku: &str, count: Decimal) -> Result<(), NotBought> {
        let at = self.place_of(reference)?;
        let order = &self.orders[at];
        if order.state != OrderState::OrderProcessing {
            return Err(NotBought::TooLate { reference: reference.to_owned() });
        }
        if count <= Decimal::ZERO || order.left(sku) < count {
            return Err(NotBought::MoreThanBought { reference: reference.to_owned(), sku: sku.to_owned() });
        }
        let each = order.lines.iter().find(|line| line.code == sku).map_or(Decimal::ZERO, |line| line.each);
        self.backs += 1;
        let back = Some(format!("B{}", self.backs));
        self.orders[at].lines.push(Line { code: sku.to_owned(), count: -count, each, back, told_by: 0 });
        self.note_change(at);
        Ok(())
    }
}
