//! The plain model: a shop in memory, with its own arithmetic.

use super::command::{By, Step};
use super::orders::Order;
use crate::harness::{DAY_MS, HOUR_MS, START};
use domain::stock::ItemKind;
use std::collections::BTreeMap;

#[derive(Clone, Debug)]
pub(super) struct Item {
    pub(super) kind: ItemKind,
    pub(super) price: i64,
    pub(super) cost: Option<i64>,
    pub(super) on_hand: i64,
    pub(super) held: i64,
    /// Sold and not returned.
    pub(super) out: i64,
    /// How it last left the shelf: by which sale at the counter, 0 for an order, or otherwise.
    pub(super) left_by: Option<i64>,
    /// Ever, even if it came back.
    pub(super) was_sold: bool,
    /// By a line of an order, ever.
    pub(super) was_ordered: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum HoldState {
    Open,
    Taken,
    Ended,
    Expired,
}

#[derive(Clone, Debug)]
pub(super) struct HoldRow {
    pub(super) item: usize,
    pub(super) stock_units: i64,
    pub(super) state: HoldState,
}

#[derive(Clone, Debug)]
pub(super) struct Group {
    pub(super) rows: Vec<HoldRow>,
    pub(super) until: Option<i64>,
}

impl Group {
    pub(super) fn lines(&self) -> Vec<(usize, i64)> {
        self.rows.iter().map(|r| (r.item, r.stock_units)).collect()
    }
}

/// Steps, amount, discount, tax, cost.
pub(super) type Part = [i64; 5];

#[derive(Clone, Debug)]
pub(super) struct Line {
    /// None: not a stock item.
    pub(super) item: Option<usize>,
    pub(super) kind: ItemKind,
    pub(super) sold: Part,
    pub(super) costed: bool,
    pub(super) back: Part,
    /// The part of it that was money alone.
    pub(super) alone: Part,
}

#[derive(Clone, Debug)]
pub(super) struct Sale {
    pub(super) lines: Vec<Line>,
    pub(super) shipping: i64,
    pub(super) shipping_back: i64,
    pub(super) at: i64,
    pub(super) market: bool,
    pub(super) rounding: i64,
    pub(super) refunds: usize,
    /// What was refunded in cash, exactly and as paid out.
    pub(super) cash_back: (i64, i64),
    pub(super) voided: bool,
}

#[derive(Clone, Debug)]
pub(super) struct RefundedLine {
    pub(super) sale: usize,
    pub(super) line: usize,
    pub(super) part: Part,
    pub(super) units: i64,
    pub(super) decided: bool,
}

#[derive(Clone, Debug)]
pub(super) struct Debt {
    pub(super) sale: usize,
    pub(super) amount: i64,
    pub(super) paid: i64,
}

/// Sales, units, weight in steps, gross, discounts, refunds, shipping, tax, cost, uncosted, rounding.
pub(super) type Figures = [i64; 11];

#[derive(Clone, Debug)]
pub(super) struct Model {
    pub(super) now: i64,
    pub(super) tokyo: bool,
    pub(super) coin: i64,
    pub(super) items: Vec<Item>,
    pub(super) groups: Vec<Group>,
    pub(super) sales: Vec<Sale>,
    pub(super) refund_lines: Vec<RefundedLine>,
    pub(super) debts: Vec<Debt>,
    /// What was booked when, on the market or in the store.
    pub(super) booked: Vec<(i64, bool, Figures)>,
    /// Sales whose answer is stored by their key, which is their position here, and when it was given.
    pub(super) kept: Vec<(String, i64)>,
    pub(super) gtin_taken: bool,
    /// The online shop's orders.
    pub(super) orders: BTreeMap<usize, Order>,
    /// What the last command returned.
    pub(super) said: String,
}

impl Default for Model {
    fn default() -> Self {
        Self {
            now: START.millis(),
            tokyo: false,
            coin: 1,
            items: Vec::new(),
            groups: Vec::new(),
            sales: Vec::new(),
            refund_lines: Vec::new(),
            debts: Vec::new(),
            booked: Vec::new(),
            kept: Vec::new(),
            gtin_taken: false,
            orders: BTreeMap::new(),
            said: String::new(),
        }
    }
}

/// What a command returns, or the kind of its rejection.
pub(super) type Said = Result<String, String>;

pub(super) fn refuse<T>(kind: &str) -> Result<T, String> {
    Err(kind.to_owned())
}

impl Model {
    /// Runs a command: on a copy first, so that a refused one leaves nothing.
    pub(super) fn run(&mut self, step: &Step) -> String {
        if let Step::Repeat { which, same_body } = step {
            return self.repeat(*which, *same_body);
        }
        let mut after = self.clone();
        let said = match after.act(step) {
            Ok(said) => {
                *self = after;
                said
            }
            Err(kind) => format!("refused {kind}"),
        };
        if matches!(step, Step::Sell(_)) && is_kept(&said) {
            self.kept.push((said.clone(), self.now));
        }
        said
    }

    /// Whether a refused request may be tried anew: a refusal is stored for a day. `limits` tests what
    /// happens then; here such a sale is not repeated.
    pub(super) fn is_forgotten(&self, which: usize) -> bool {
        self.kept.get(which).is_some_and(|(said, at)| said.starts_with("refused ") && self.now - at >= DAY_MS)
    }

    fn act(&mut self, step: &Step) -> Said {
        match step {
            Step::Add { kind, stock_units, cost, gtin } => self.add(*kind, *stock_units, *cost, *gtin),
            Step::Edit { item, price, stale } => self.edit(*item, *price, *stale),
            Step::Adjust { item, what } => self.adjust(*item, what),
            Step::Remove { item } => self.remove(*item),
            Step::Hold { lines, purpose } => self.hold(lines, *purpose),
            Step::EndHold { group } => self.end_hold(*group),
            Step::Sweep => Ok(self.sweep()),
            Step::Advance { millis } => {
                self.now += millis;
                Ok(String::new())
            }
            Step::Sell(sell) => self.sell(sell),
            Step::Refund { sale, what, fate, by } => self.refund(*sale, what, *fate, *by),
            Step::Decide { line, shelf } => self.decide(*line, *shelf),
            Step::Void { sale } => self.void(*sale),
            Step::Pay { debt, amount } => self.pay(*debt, *amount),
            Step::Zone { tokyo } => {
                self.tokyo = *tokyo;
                Ok(String::new())
            }
            Step::Rounding { step } => {
                self.coin = *step;
                Ok(String::new())
            }
            Step::Order(state) => self.order(state),
            Step::MoneyBack { order, number, amount } => self.money_back(*order, *number, *amount),
            Step::EndOrderHold { order } => Ok(self.end_order_hold(*order)),
            Step::Tell { .. } | Step::Repeat { .. } => Ok(String::new()),
        }
    }

    fn repeat(&self, which: usize, same_body: bool) -> String {
        match self.kept.get(which) {
            None => String::new(),
            Some(_) if self.is_forgotten(which) => String::new(),
            Some(_) if !same_body => "refused key-reused".to_owned(),
            Some((said, _)) => said.clone(),
        }
    }

    /// The day's number in the shop's zone; Tokyo is nine hours ahead of UTC all year.
    pub(super) fn day(&self, at: i64) -> i64 {
        (at + if self.tokyo { 9 * HOUR_MS } else { 0 }).div_euclid(DAY_MS)
    }

    /// The figures of each day and channel, without those that are all zero.
    pub(super) fn books(&self) -> BTreeMap<(i64, bool), Figures> {
        let mut days: BTreeMap<(i64, bool), Figures> = BTreeMap::new();
        for (at, market, figures) in &self.booked {
            let day = days.entry((self.day(*at), *market)).or_default();
            for (sum, figure) in day.iter_mut().zip(figures) {
                *sum += figure;
            }
        }
        days.retain(|_, figures| *figures != Figures::default());
        days
    }

    fn add(&mut self, kind: ItemKind, stock_units: i64, cost: Option<i64>, gtin: bool) -> Said {
        if gtin && self.gtin_taken {
            return refuse("code-taken");
        }
        self.gtin_taken |= gtin;
        let price = 500 + 333 * i64::try_from(self.items.len()).unwrap();
        self.items.push(Item {
            kind,
            price,
            cost,
            on_hand: stock_units,
            held: 0,
            out: 0,
            left_by: None,
            was_sold: false,
            was_ordered: false,
        });
        Ok(String::new())
    }

    fn edit(&mut self, item: usize, price: i64, stale: bool) -> Said {
        let Some(item) = self.items.get_mut(item) else { return refuse("unknown-code") };
        if stale {
            return refuse("stale");
        }
        item.price = price;
        Ok(String::new())
    }

    fn decide(&mut self, line: usize, shelf: bool) -> Said {
        let Some(refunded) = self.refund_lines.get(line).cloned() else { return refuse("no-such") };
        let sold = &self.sales[refunded.sale].lines[refunded.line];
        if refunded.decided || (shelf && sold.item.is_none()) || refunded.part[0] == 0 {
            return refuse("invalid");
        }
        self.refund_lines[line].decided = true;
        if shelf {
            self.put_back(&refunded);
        }
        Ok(String::new())
    }

    /// Returned goods: back on the shelf, and their cost out of today's books.
    pub(super) fn put_back(&mut self, refunded: &RefundedLine) {
        let sale = &self.sales[refunded.sale];
        let line = &sale.lines[refunded.line];
        let mut figures = Figures::default();
        if line.costed {
            figures[8] = -refunded.part[4];
        } else {
            figures[9] = -refunded.units;
        }
        self.booked.push((self.now, sale.market, figures));
        if let Some(item) = line.item {
            self.items[item].on_hand += refunded.part[0];
            self.items[item].out -= refunded.part[0];
        }
    }

    fn void(&mut self, sale: usize) -> Said {
        let Some(sold) = self.sales.get(sale).cloned() else { return refuse("no-such") };
        let paid = self.debts.iter().any(|d| d.sale == sale && d.paid > 0);
        if self.day(sold.at) != self.day(self.now) || sold.voided || sold.refunds > 0 || paid {
            return refuse("not-voidable");
        }
        self.sales[sale].voided = true;
        for line in &sold.lines {
            if let Some(item) = line.item {
                self.items[item].on_hand += line.sold[0];
                self.items[item].out -= line.sold[0];
            }
        }
        self.booked.push((sold.at, sold.market, sold.figures().map(|f| -f)));
        Ok(String::new())
    }

    fn pay(&mut self, debt: usize, amount: i64) -> Said {
        let Some(owed) = self.debts.get(debt) else {
            return if amount > 0 { refuse("no-such") } else { refuse("invalid") };
        };
        if amount <= 0 || self.sales[owed.sale].voided || owed.paid + amount > owed.amount {
            return refuse("invalid");
        }
        self.debts[debt].paid += amount;
        Ok(format!("left {}", self.debts[debt].amount - self.debts[debt].paid))
    }

    /// The nearest multiple of the smallest coin, a tie up.
    pub(super) fn in_cash(&self, amount: i64) -> i64 {
        (amount * 2 + self.coin).div_euclid(self.coin * 2) * self.coin
    }

    pub(super) fn pays_cash(by: By) -> bool {
        matches!(by, By::Cash | By::Both)
    }
}

/// Answers, and the refusals that a key stores.
fn is_kept(said: &str) -> bool {
    let kept = ["already-sold", "gone", "invalid", "more-than-sold", "not-voidable", "wrong-digit"];
    said.strip_prefix("refused ").is_none_or(|rest| kept.iter().any(|k| rest.starts_with(k)))
}
