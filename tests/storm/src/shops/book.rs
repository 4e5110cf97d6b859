//! Everything that one of our own shops knows: what it lists, who bought what, and how it reports that.

use super::stock::{Says, Stock, Taken};
use super::{Order, OrderLine, ShopKind};
use crate::plan::Plan;
use ledger::{Clock, ManualClock};
use pretend::{Counts, Faults, OrderState, Outbound};
use rust_decimal::Decimal;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

/// What the buyer pays for shipping an order, in hundredths.
const POSTAGE: i64 = 450;
/// Invented: any number will do.
const FIRST_ORDER: u64 = 640;
/// Invented, and far from the order numbers, so that a mix-up shows.
const FIRST_LISTING: u64 = 7001;

/// The refund for a flaw: less than any price.
const FLAW: Decimal = Decimal::ONE;

/// The true time, which the shop's clock follows with its own error.
#[derive(Clone, Debug)]
pub(crate) struct ShopClock {
    pub(crate) house: Arc<ManualClock>,
    /// How far the house's clock is ahead of the true time.
    pub(crate) ahead_ms: Arc<AtomicI64>,
}

impl ShopClock {
    fn millis(&self) -> i64 {
        self.house.now().millis() - self.ahead_ms.load(Ordering::SeqCst)
    }
}

/// An order as the shop has it.
#[derive(Clone, Debug)]
pub(crate) struct Bought {
    pub(crate) order: Order,
    pub(crate) placed: i64,
    /// By the shop's clock: an order's own times never go back, whatever the clock does.
    pub(crate) changed: i64,
    pub(crate) buyer: String,
    pub(crate) postage: Decimal,
    /// From which listing each line was taken.
    taken: Vec<Taken>,
}

/// A past state of an order, under a number that only grows.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    pub(crate) at: u64,
    pub(crate) bought: Bought,
}

/// What the shop knew at a time.
#[derive(Clone, Debug)]
pub(crate) struct Backup {
    stock: Stock,
    orders: Vec<Bought>,
    log: Vec<Entry>,
    changes: u64,
}

impl Backup {
    pub(crate) fn orders(&self) -> Vec<Order> {
        self.orders.iter().map(|bought| bought.order.clone()).collect()
    }
}

#[derive(Debug)]
pub(crate) struct Book {
    pub(crate) stock: Stock,
    pub(crate) orders: Vec<Bought>,
    pub(crate) log: Vec<Entry>,
    pub(crate) counts: Counts,
    pub(crate) faults: Faults,
    /// Webhooks, if the shop sends them.
    pub(crate) outbound: Outbound,
    tells: Option<fn(&Bought) -> String>,
    reuses_numbers: bool,
    gives_money_alone: bool,
    clock: ShopClock,
    changes: u64,
    backs: u64,
    next_order: u64,
}

impl Book {
    /// `tells` writes the body of a webhook about an order, if there is one.
    pub(crate) fn new(
        plan: &Plan,
        clock: ShopClock,
        faults: Faults,
        tells: Option<fn(&Bought) -> String>,
    ) -> Self {
        Self {
            stock: Stock::new(FIRST_LISTING),
            orders: Vec::new(),
            log: Vec::new(),
            counts: Counts::default(),
            faults,
            outbound: Outbound::new(plan.seed, tells.is_some()),
            tells,
            reuses_numbers: plan.habits.reuses_numbers,
            gives_money_alone: plan.shop == ShopKind::Rooms,
            clock,
            changes: 0,
            backs: 0,
            next_order: FIRST_ORDER,
        }
    }

    /// What the shop's clock shows, right or wrong.
    pub(crate) fn now(&self) -> i64 {
        self.true_now() + self.faults.clock_off_ms
    }

    pub(crate) fn true_now(&self) -> i64 {
        self.clock.millis()
    }

    pub(crate) fn back_up(&self) -> Backup {
        let (stock, orders, log) = (self.stock.clone(), self.orders.clone(), self.log.clone());
        Backup { stock, orders, log, changes: self.changes }
    }

    /// Restores an earlier state. Order numbers and change numbers go on.
    pub(crate) fn put_back(&mut self, backup: Backup) {
        self.stock.put_back_to(backup.stock, self.reuses_numbers);
        self.outbound.clear();
        (self.orders, self.log, self.changes) = (backup.orders, backup.log, backup.changes);
    }

    /// Sells everything that is wanted, or nothing.
    pub(crate) fn buy(&mut self, wanted: &[(String, Decimal)], buyer: &str, is_paid: bool) -> bool {
        let (mut lines, mut taken) = (Vec::new(), Vec::new());
        for (sku, count) in wanted {
            let each = self.stock.of(sku).map_or(Decimal::ZERO, |listing| listing.says.price);
            let Some(one) = self.stock.sell(sku, *count) else {
                self.give_up(&lines, &taken);
                return false;
            };
            lines.push(OrderLine { code: sku.clone(), count: *count, each, back: None });
            taken.push(one);
        }
        if lines.is_empty() {
            return false;
        }
        let number = self.next_order.to_string();
        self.next_order += 1;
        let now = self.now();
        let state = if is_paid { OrderState::OrderProcessing } else { OrderState::OrderPaymentDue };
        let order = Order { number, state, lines, change: 0 };
        let (buyer, postage) = (buyer.to_owned(), Decimal::new(POSTAGE, 2));
        self.orders.push(Bought { order, placed: now, changed: now, buyer, postage, taken });
        self.note_change(self.orders.len() - 1);
        true
    }

    fn give_up(&mut self, lines: &[OrderLine], taken: &[Taken]) {
        for (line, one) in lines.iter().zip(taken) {
            self.stock.put_back(*one, line.count);
        }
    }

    /// Records that an order was changed, or touched without a difference.
    pub(crate) fn note_change(&mut self, at: usize) {
        let now = self.now();
        let Some(bought) = self.orders.get_mut(at) else { return };
        self.changes += 1;
        bought.changed = if bought.order.change == 0 { now } else { now.max(bought.changed + 1) };
        bought.order.change = self.changes;
        self.log.push(Entry { at: self.changes, bought: bought.clone() });
        if let Some(tells) = self.tells {
            let (id, body) = (format!("c{}", self.changes), tells(bought));
            self.outbound.add(|| (id, body), self.clock.millis());
        }
    }

    fn place_of(&self, number: &str) -> Option<usize> {
        self.orders.iter().rposition(|bought| bought.order.number == number)
    }

    pub(crate) fn order(&self, number: &str) -> Option<&Bought> {
        self.place_of(number).map(|at| &self.orders[at])
    }

    pub(crate) fn pay(&mut self, number: &str) {
        let Some(at) = self.place_of(number) else { return };
        if self.orders[at].order.state == OrderState::OrderPaymentDue {
            self.orders[at].order.state = OrderState::OrderProcessing;
            self.note_change(at);
        }
    }

    /// Cancels the whole order: nothing is shipped, and everything is for sale again.
    pub(crate) fn cancel(&mut self, number: &str) {
        let Some(at) = self.place_of(number) else { return };
        if self.orders[at].order.state == OrderState::OrderCancelled {
            return;
        }
        let lines: Vec<OrderLine> =
            self.orders[at].order.lines.iter().filter(|l| l.back.is_none()).cloned().collect();
        let taken = self.orders[at].taken.clone();
        self.give_up(&lines, &taken);
        self.orders[at].order.state = OrderState::OrderCancelled;
        self.note_change(at);
    }

    /// Cancels one of several lines.
    pub(crate) fn cancel_line(&mut self, number: &str, sku: &str) {
        let Some(at) = self.place_of(number) else { return };
        let Bought { order, taken, .. } = &mut self.orders[at];
        let bought = order.lines.iter().filter(|line| line.back.is_none()).count();
        let is_touched = order.lines.iter().any(|line| line.back.is_some() && line.code == sku);
        let place = order.lines.iter().position(|line| line.code == sku);
        let Some(place) =
            place.filter(|_| order.state != OrderState::OrderCancelled && !is_touched && bought > 1)
        else {
            return;
        };
        // Lines come before their refunds, in the order in which they were bought.
        let (line, one) = (order.lines.remove(place), taken.remove(place));
        self.stock.put_back(one, line.count);
        self.note_change(at);
    }

    /// Refunds a whole line, or now and then part of it or only money, if the shop does that; nothing is for
    /// sale again because of it.
    pub(crate) fn refund(&mut self, number: &str, sku: &str) {
        let Some(at) = self.place_of(number) else { return };
        let is_for_a_flaw = self.gives_money_alone && self.changes.is_multiple_of(3);
        let order = &mut self.orders[at].order;
        let had_flaw = order.lines.iter().any(|l| l.code == sku && l.back.is_some() && l.count.is_zero());
        let left: Decimal = order.lines.iter().filter(|l| l.code == sku).map(|l| l.count).sum();
        let Some(line) = order.lines.iter().find(|l| l.code == sku).cloned() else { return };
        if order.state != OrderState::OrderProcessing || left < line.count || is_for_a_flaw && had_flaw {
            return;
        }
        self.backs += 1;
        let back = Some(format!("B{}", self.backs));
        let is_part = self.gives_money_alone && line.count == Decimal::TWO && self.changes.is_multiple_of(2);
        let (count, each) = match (is_for_a_flaw, is_part) {
            (true, _) => (Decimal::ZERO, FLAW),
            (false, true) => (-Decimal::ONE, line.each),
            (false, false) => (-line.count, line.each),
        };
        order.lines.push(OrderLine { count, each, back, ..line });
        self.note_change(at);
    }

    /// Adds a listing that the house never sent.
    pub(crate) fn put_own(&mut self, sku: &str, price: Decimal, left: Decimal) {
        let says = Says { name: "Made to order".to_owned(), about: String::new(), price, left };
        self.stock.put_own(sku, says);
    }
}
