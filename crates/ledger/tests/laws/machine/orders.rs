//! The online shop's orders next to the counter: arbitrary states, on the plain model and on the ledger.
//!
//! For each item the model knows what is sold, on hold and short; for the books, what all orders' latest
//! states add up to.
//! How a difference is divided into refunds and further sales is up to the ledger.

mod calls;

pub(super) use calls::{books, end_hold, money_back, take};

use super::model::{Model, Said, refuse};
use domain::order::{OrderStatus, Standing};
use domain::stock::ItemKind;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// Orders in one run: few, so that each comes in many states.
pub(super) const MOST_ORDERS: usize = 4;

/// A line: the item, steps, the whole line's money, discount and tax.
type Line = (usize, i64, i64, i64, i64);

/// A state of an order as it arrives.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct State {
    pub(super) order: usize,
    /// Minutes of its dateModified; none if it has none.
    minute: Option<i64>,
    body: Body,
}

/// What distinguishes two states of the same time.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Body {
    status: OrderStatus,
    lines: Vec<Line>,
    discount: i64,
    shipping: i64,
    fee: i64,
}

/// One item of an order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Goods {
    /// The latest state: steps, amount less discount, discount, tax.
    said: (i64, i64, i64, i64),
    sold: i64,
    held: i64,
    short: i64,
}

/// An order in the model.
#[derive(Clone, Debug)]
pub(super) struct Order {
    minute: Option<i64>,
    body: Body,
    goods: BTreeMap<usize, Goods>,
    has_sale: bool,
    fee: i64,
    shipping: i64,
    /// Money without goods that was refunded of what is sold now.
    money_back: i64,
    /// The numbers of such refunds, whatever became of the sale.
    refunds: BTreeSet<usize>,
}

/// What the model leaves to other tests: states with other lines or money after money alone was refunded.
pub(super) const SKIPPED: &str = "skipped";

pub(super) fn states(model: &Model) -> BoxedStrategy<State> {
    let items = model.items.len();
    let kinds: Vec<ItemKind> = model.items.iter().map(|i| i.kind).collect();
    let stock_units = move |item: usize| match kinds.get(item) {
        Some(ItemKind::Piece) => prop_oneof![12 => Just(1_i64), 1 => Just(2)].boxed(),
        Some(ItemKind::Weight) => (1..12_i64).prop_map(|quarter| quarter * 250).boxed(),
        _ => (1..5_i64).boxed(),
    };
    let item = prop_oneof![20 => 0..items.max(1), 1 => Just(items)];
    let money = (
        prop_oneof![2 => Just(1000_i64), 1 => 1..5000_i64],
        prop_oneof![3 => Just(0_i64), 1 => 1..90_i64],
        prop_oneof![3 => Just(0_i64), 1 => 1..90_i64],
    );
    let line = (item, money).prop_flat_map(move |(item, (price, discount, tax))| {
        (Just(item), stock_units(item), Just(price), Just(discount), Just(tax))
    });
    let lines = prop::collection::vec(line, 1..4).prop_map(|mut lines| {
        let mut seen = Vec::new();
        lines.retain(|l| {
            !seen.contains(&l.0) && {
                seen.push(l.0);
                true
            }
        });
        // By the step, so that a quantity changes alone as often as its price does.
        lines
            .into_iter()
            .map(|(item, stock_units, price, discount, tax)| {
                (item, stock_units, (price * stock_units).clamp(300, 4_000_000), discount, tax)
            })
            .collect()
    });
    let lines = prop_oneof![30 => lines, 1 => Just(Vec::new())];
    let status = prop_oneof![
        6 => Just(OrderStatus::OrderProcessing),
        2 => Just(OrderStatus::OrderInTransit),
        3 => Just(OrderStatus::OrderPaymentDue),
        2 => Just(OrderStatus::OrderCancelled),
    ];
    let minute = prop_oneof![12 => (0..60_i64).prop_map(Some), 1 => Just(None)];
    let rest = (
        prop_oneof![4 => Just(0_i64), 1 => 1..80_i64],
        prop_oneof![2 => Just(0_i64), 1 => 1..900_i64],
        prop_oneof![2 => Just(0_i64), 1 => 1..300_i64],
    );
    (0..MOST_ORDERS, minute, status, lines, rest)
        .prop_map(|(order, minute, status, lines, (discount, shipping, fee))| State {
            order,
            minute,
            body: Body { status, lines, discount, shipping, fee },
        })
        .boxed()
}

impl Body {
    fn standing(&self) -> Standing {
        self.status.standing()
    }

    /// The state by item; an order's discount is divided by the ledger, and added up here.
    fn said(&self) -> BTreeMap<usize, (i64, i64, i64, i64)> {
        let line = |l: &Line| (l.0, (l.1, l.2, l.3, l.4));
        self.lines.iter().map(line).collect()
    }
}

impl Model {
    pub(super) fn order(&mut self, state: &State) -> Said {
        let mut body = state.body.clone();
        let known = self.orders.get(&state.order).cloned();
        if body.lines.is_empty() {
            if known.is_none() {
                return refuse("invalid");
            }
            body.status = OrderStatus::OrderCancelled;
        }
        let Some(mut order) = known else { return self.new_order(state, &body) };
        if order.body == body {
            order.minute = order.minute.max(state.minute);
            self.orders.insert(state.order, order);
            return Ok("known".to_owned());
        }
        let is_over = body.standing() == Standing::Undone;
        match (state.minute, order.minute) {
            (None, _) if is_over && order.body.standing() == Standing::Undone => {
                return Ok("known".to_owned());
            }
            (None, _) if is_over => {}
            (None, _) => return refuse("order-differs"),
            (Some(new), Some(old)) if new < old => return Ok("known".to_owned()),
            (Some(new), Some(old)) if new == old => return refuse("same-date-other-contents"),
            _ => {}
        }
        if !is_over && body.lines.iter().any(|l| l.0 >= self.items.len()) {
            return refuse("unknown-code");
        }
        let is_adjusted = (order.body.standing(), body.standing()) == (Standing::Sold, Standing::Sold)
            && (&order.body.lines, order.body.discount, order.body.shipping)
                != (&body.lines, body.discount, body.shipping);
        if is_adjusted && order.money_back > 0 {
            return Ok(SKIPPED.to_owned());
        }
        self.change(&mut order, &body);
        order.minute = state.minute.or(order.minute);
        let short = order.goods.values().filter(|g| g.short > 0).count();
        self.orders.insert(state.order, order);
        Ok(format!("changed {short}"))
    }

    fn new_order(&mut self, state: &State, body: &Body) -> Said {
        if body.lines.iter().any(|l| l.0 >= self.items.len()) {
            return refuse("unknown-code");
        }
        let nothing = Body { status: OrderStatus::OrderCancelled, ..body.clone() };
        let mut order = Order {
            minute: state.minute,
            body: nothing,
            goods: BTreeMap::new(),
            has_sale: false,
            fee: 0,
            shipping: 0,
            money_back: 0,
            refunds: BTreeSet::new(),
        };
        self.change(&mut order, body);
        let short = order.goods.values().filter(|g| g.short > 0).count();
        let filled = order.goods.values().filter(|g| g.sold + g.held > 0).count();
        self.orders.insert(state.order, order);
        Ok(format!("taken {filled} short {short}"))
    }

    fn change(&mut self, order: &mut Order, body: &Body) {
        for line in &body.lines {
            if let Some(item) = self.items.get_mut(line.0) {
                item.was_ordered = true;
            }
        }
        let was = order.body.standing();
        let is = body.standing();
        if is == Standing::Undone || (was, is) == (Standing::Sold, Standing::Unpaid) {
            self.give_back_all(order);
            order.money_back = 0;
        }
        match is {
            Standing::Undone => {}
            Standing::Unpaid => self.set_aside(order, body),
            Standing::Sold if was == Standing::Unpaid => {
                self.set_aside(order, body);
                for (item, goods) in &mut order.goods {
                    let held = std::mem::take(&mut goods.held);
                    self.items[*item].held -= held;
                    self.sell_online(*item, held);
                    goods.sold = held;
                }
            }
            Standing::Sold => self.adjust_order(order, body),
        }
        order.has_sale |= order.goods.values().any(|g| g.sold > 0);
        if order.has_sale && !body.lines.is_empty() {
            order.fee = body.fee;
        }
        order.shipping = if is == Standing::Sold && order.has_sale { body.shipping } else { 0 };
        order.body = body.clone();
    }

    fn sell_online(&mut self, item: usize, stock_units: i64) {
        self.items[item].on_hand -= stock_units;
        self.items[item].out += stock_units;
        if stock_units > 0 {
            self.items[item].left_by = Some(0);
        }
    }

    fn give_back_all(&mut self, order: &mut Order) {
        for (item, goods) in &order.goods {
            self.items[*item].held -= goods.held;
            self.items[*item].on_hand += goods.sold;
            self.items[*item].out -= goods.sold;
        }
        order.goods.clear();
    }

    fn set_aside(&mut self, order: &mut Order, body: &Body) {
        let now = body.said();
        let was = std::mem::take(&mut order.goods);
        for (item, goods) in &was {
            if now.get(item).copied().unwrap_or_default() != goods.said {
                self.items[*item].held -= goods.held;
            }
        }
        for (item, said) in now {
            let before = was.get(&item).copied().unwrap_or_default();
            let goods = if before.said == said {
                before
            } else if before.short == 0 && self.try_hold(item, said.0) {
                Goods { said, held: said.0, ..Goods::default() }
            } else {
                let held = before.held.min(said.0);
                assert!(held == 0 || self.try_hold(item, held));
                Goods { said, held, short: said.0 - held, ..Goods::default() }
            };
            order.goods.insert(item, goods);
        }
    }

    fn try_hold(&mut self, item: usize, stock_units: i64) -> bool {
        let free = |m: &Self| m.items[item].on_hand - m.items[item].held >= stock_units;
        if !free(self) {
            self.expire(Some(item));
        }
        let had = free(self);
        if had {
            self.items[item].held += stock_units;
        }
        had
    }

    fn adjust_order(&mut self, order: &mut Order, body: &Body) {
        let now = body.said();
        let was = std::mem::take(&mut order.goods);
        for (item, goods) in &was {
            let left = now.get(item).map_or(0, |said| said.0);
            let back = (goods.sold - left).max(0);
            self.items[*item].on_hand += back;
            self.items[*item].out -= back;
        }
        for (item, said) in now {
            let before = was.get(&item).copied().unwrap_or_default();
            let sold = before.sold.min(said.0);
            let more = said.0 - sold;
            let goods = if more > 0 && before.short == 0 && self.take(item, more, 0).is_ok() {
                self.items[item].out += more;
                self.items[item].left_by = Some(0);
                Goods { said, sold: said.0, ..Goods::default() }
            } else {
                Goods { said, sold, short: more, ..Goods::default() }
            };
            order.goods.insert(item, goods);
        }
    }

    /// The shop refunded money without goods: once for each number, and never more than is left of what is
    /// sold.
    pub(super) fn money_back(&mut self, at: usize, number: usize, amount: i64) -> Said {
        let Some(order) = self.orders.get_mut(&at) else { return refuse("invalid") };
        if order.refunds.contains(&number) {
            return Ok("0 refunds".to_owned());
        }
        if !order.has_sale {
            // For goods that may yet be sold it waits; for an order that is over it is not in the books.
            if order.goods.values().any(|goods| goods.held + goods.short > 0) {
                return refuse("refund-waits");
            }
            order.refunds.insert(number);
            return Ok("1 refunds".to_owned());
        }
        if order.goods.values().any(|goods| goods.short > 0) {
            return Ok(SKIPPED.to_owned());
        }
        let sold = order.body.standing() == Standing::Sold;
        let goods: i64 = order.body.lines.iter().map(|l| l.2 - l.3 + l.4).sum();
        let left = if sold { goods - order.body.discount + order.shipping - order.money_back } else { 0 };
        if amount > left {
            return refuse("more-than-sold");
        }
        order.money_back += amount;
        order.refunds.insert(number);
        Ok("1 refunds".to_owned())
    }

    /// A person ends the hold for an order: its lines are short from then on.
    pub(super) fn end_order_hold(&mut self, at: usize) -> String {
        let Some(order) = self.orders.get_mut(&at) else { return String::new() };
        let mut ended = 0;
        for (item, goods) in &mut order.goods {
            if goods.held > 0 {
                self.items[*item].held -= goods.held;
                goods.short += std::mem::take(&mut goods.held);
                ended += 1;
            }
        }
        if ended == 0 { String::new() } else { format!("ended {ended}") }
    }

    /// What all orders add up to, sold or waiting: goods less discounts, tax; and for the sold ones
    /// shipping and fees; and how many count as sales.
    pub(super) fn online_books(&self) -> [i64; 5] {
        let mut sum = [0; 5];
        for order in self.orders.values() {
            if order.body.standing() == Standing::Sold {
                let goods: i64 = order.body.lines.iter().map(|l| l.2 - l.3).sum();
                sum[0] += goods - order.body.discount;
                sum[1] += order.body.lines.iter().map(|l| l.4).sum::<i64>();
            }
            sum[2] += order.shipping;
            sum[3] += order.fee;
            sum[4] += i64::from(order.has_sale);
        }
        let mut sum = self.folded(sum);
        sum[0] -= self.orders.values().map(|order| order.money_back).sum::<i64>();
        sum
    }

    /// Money refunded alone is divided by the ledger over goods, tax and shipping: here they are one sum.
    pub(super) fn folded(&self, [goods, tax, shipping, fees, sales]: [i64; 5]) -> [i64; 5] {
        let is_parted = self.orders.values().any(|order| !order.refunds.is_empty());
        if is_parted {
            [goods + tax + shipping, 0, 0, fees, sales]
        } else {
            [goods, tax, shipping, fees, sales]
        }
    }
}
