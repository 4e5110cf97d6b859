//! The random commands, as plain numbers: items, holds and sales are named by their position.

use super::model::Model;
use super::orders::{MOST_ORDERS, State, states};
use crate::harness::{DAY_MS, HOUR_MS, MINUTE_MS};
use domain::stock::{ItemKind, ReturnDisposition, StockReason};
use ledger::shelf::Purpose;
use proptest::prelude::*;

#[derive(Clone, Debug)]
pub(super) enum Step {
    Add {
        kind: ItemKind,
        stock_units: i64,
        cost: Option<i64>,
        gtin: bool,
    },
    Edit {
        item: usize,
        price: i64,
        stale: bool,
    },
    Adjust {
        item: usize,
        what: What,
    },
    Remove {
        item: usize,
    },
    Hold {
        lines: Vec<(usize, i64)>,
        purpose: Purpose,
    },
    EndHold {
        group: usize,
    },
    Sweep,
    Advance {
        millis: i64,
    },
    Sell(Sell),
    Refund {
        sale: usize,
        what: Back,
        fate: ReturnDisposition,
        by: By,
    },
    Decide {
        line: usize,
        shelf: bool,
    },
    Void {
        sale: usize,
    },
    Pay {
        debt: usize,
        amount: i64,
    },
    Zone {
        tokyo: bool,
    },
    Rounding {
        step: i64,
    },
    /// Messages to the online shop, with the outcome of each.
    Tell {
        luck: usize,
    },
    /// A state of an order from the online shop.
    Order(State),
    /// The online shop reports that it refunded money without goods: a number (there are few) and an
    /// amount.
    MoneyBack {
        order: usize,
        number: usize,
        amount: i64,
    },
    /// A person ends a hold for an order.
    EndOrderHold {
        order: usize,
    },
    Repeat {
        which: usize,
        same_body: bool,
    },
}

/// What a person says about an item's stock, in steps.
#[derive(Clone, Debug)]
pub(super) enum What {
    Is(i64),
    More(i64),
    Less(i64, StockReason),
}

#[derive(Clone, Debug)]
pub(super) struct Sell {
    pub(super) lines: Vec<(usize, i64)>,
    /// Of the first line, and of the whole.
    pub(super) discount: i64,
    pub(super) order_discount: i64,
    pub(super) tax: i64,
    pub(super) shipping: i64,
    pub(super) paper: Option<i64>,
    pub(super) by: By,
    /// More (or less) than is due.
    pub(super) extra: i64,
    pub(super) hold: Option<usize>,
    pub(super) hours_ago: i64,
    pub(super) market: bool,
    /// A code with a wrong digit instead of the first line's.
    pub(super) slip: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum By {
    Cash,
    Card,
    Owed,
    /// A card for 100, the rest in cash.
    Both,
}

#[derive(Clone, Debug)]
pub(super) enum Back {
    Whole,
    Line(usize, Option<i64>),
    /// Only money, of a line.
    Money(usize, i64),
    Shipping(i64),
}

impl Step {
    pub(super) fn name(&self) -> &'static str {
        match self {
            Self::Add { .. } => "Add",
            Self::Edit { .. } => "Edit",
            Self::Adjust { .. } => "Adjust",
            Self::Remove { .. } => "Remove",
            Self::Hold { .. } => "Hold",
            Self::EndHold { .. } => "EndHold",
            Self::Sweep => "Sweep",
            Self::Advance { .. } => "Advance",
            Self::Sell(_) => "Sell",
            Self::Refund { what: Back::Money(..), .. } => "RefundMoney",
            Self::Refund { .. } => "Refund",
            Self::Decide { .. } => "Decide",
            Self::Void { .. } => "Void",
            Self::Pay { .. } => "Pay",
            Self::Zone { .. } => "Zone",
            Self::Rounding { .. } => "Rounding",
            Self::Tell { .. } => "Tell",
            Self::Order(_) => "Order",
            Self::MoneyBack { .. } => "MoneyBack",
            Self::EndOrderHold { .. } => "EndOrderHold",
            Self::Repeat { .. } => "Repeat",
        }
    }
}

/// Items in one run: few, so that commands collide.
const MOST_ITEMS: usize = 7;

/// A position, now and then one that does not exist yet, and the latest more often than the first.
fn place(count: usize) -> BoxedStrategy<usize> {
    let from = count.saturating_sub(4);
    prop_oneof![6 => from..count.max(1), 3 => 0..count.max(1), 1 => Just(count)].boxed()
}

/// Quantities that fit each item: one for a piece (now and then two), some of the others.
fn quantity(model: &Model, item: usize) -> BoxedStrategy<i64> {
    match model.items.get(item).map(|i| i.kind) {
        Some(ItemKind::Piece) => prop_oneof![15 => Just(1_i64), 1 => Just(2)].boxed(),
        Some(ItemKind::Weight) => (1..20_i64).prop_map(|quarter| quarter * 250 + 1).boxed(),
        Some(ItemKind::Counted) | None => prop_oneof![9 => 1..5_i64, 1 => Just(60)].boxed(),
    }
}

/// One to three lines of different items, in any order.
fn lines(model: &Model) -> BoxedStrategy<Vec<(usize, i64)>> {
    let model = model.clone();
    prop::collection::vec(place(model.items.len()), 1..4)
        .prop_flat_map(move |mut items| {
            let mut seen = Vec::new();
            items.retain(|i| {
                !seen.contains(i) && {
                    seen.push(*i);
                    true
                }
            });
            items.iter().map(|i| (Just(*i), quantity(&model, *i))).collect::<Vec<_>>()
        })
        .boxed()
}

fn adds(model: &Model) -> BoxedStrategy<Step> {
    let cost = prop::option::of(1..500_i64);
    let kind = prop_oneof![
        4 => (Just(ItemKind::Piece), Just(1_i64)),
        2 => (Just(ItemKind::Counted), 0..12_i64),
        1 => (Just(ItemKind::Weight), 4000..16_000_i64),
    ];
    let gtin = prop_oneof![6 => Just(false), 1 => Just(true)];
    let gtin = if model.items.len() < MOST_ITEMS { gtin.boxed() } else { Just(true).boxed() };
    (kind, cost, gtin)
        .prop_map(|((kind, stock_units), cost, gtin)| Step::Add { kind, stock_units, cost, gtin })
        .boxed()
}

fn adjusts(model: &Model) -> BoxedStrategy<Step> {
    let inner = model.clone();
    place(model.items.len())
        .prop_flat_map(move |item| {
            let why =
                prop_oneof![Just(StockReason::Damage), Just(StockReason::Gift), Just(StockReason::OwnUse)];
            let loss = (quantity(&inner, item), why);
            let what = prop_oneof![
                1 => (0..6_i64).prop_map(What::Is),
                1 => Just(What::Is(0)),
                2 => quantity(&inner, item).prop_map(What::More),
                3 => loss.prop_map(|(stock_units, why)| What::Less(stock_units, why)),
            ];
            (Just(item), what)
        })
        .prop_map(|(item, what)| Step::Adjust { item, what })
        .boxed()
}

fn sells(model: &Model) -> BoxedStrategy<Step> {
    let fresh = (lines(model), Just(None));
    let held: Vec<_> = model.groups.iter().enumerate().map(|(n, g)| (g.lines(), Some(n))).collect();
    let of = if held.is_empty() {
        fresh.boxed()
    } else {
        let last = held.len().saturating_sub(3);
        let held = prop::sample::select(held[last..].to_vec());
        prop_oneof![5 => fresh, 3 => held, 1 => (lines(model), (0..=last).prop_map(Some))].boxed()
    };
    let money = (
        prop_oneof![4 => Just(0_i64), 2 => 1..300_i64, 1 => Just(5_000_000)],
        prop_oneof![6 => Just(0_i64), 2 => 1..200_i64],
        prop_oneof![2 => Just(0_i64), 1 => 1..90_i64],
        prop_oneof![3 => Just(0_i64), 1 => 1..600_i64],
        prop::option::weighted(0.1, 1..3000_i64),
    );
    let pay = (
        prop_oneof![4 => Just(By::Cash), 3 => Just(By::Card), 2 => Just(By::Owed), 1 => Just(By::Both)],
        prop_oneof![8 => Just(0_i64), 1 => Just(-7), 1 => Just(7)],
    );
    let where_ = (
        prop_oneof![8 => Just(0_i64), 1 => Just(20), 1 => Just(-48)],
        prop::bool::weighted(0.2),
        prop::bool::weighted(0.03),
    );
    (of, money, pay, where_)
        .prop_map(|((lines, hold), money, (by, extra), (hours_ago, market, slip))| {
            let (discount, order_discount, tax, shipping, paper) = money;
            let lines = if lines.is_empty() { vec![(0, 1)] } else { lines };
            let sell = Sell {
                lines,
                discount,
                order_discount,
                tax,
                shipping,
                paper,
                by,
                extra,
                hold,
                hours_ago,
                market,
                slip,
            };
            Step::Sell(sell)
        })
        .boxed()
}

fn refunds(model: &Model) -> BoxedStrategy<Step> {
    let quantity = prop_oneof![
        2 => Just(None),
        4 => (1..4_i64).prop_map(Some),
        2 => (1..4000_i64).prop_map(Some),
    ];
    let what = prop_oneof![
        2 => Just(Back::Whole),
        6 => (prop_oneof![6 => Just(0_usize), 3 => Just(1), 1 => Just(3)], quantity)
            .prop_map(|(line, quantity)| Back::Line(line, quantity)),
        2 => (prop_oneof![4 => Just(0_usize), 2 => Just(1), 1 => Just(3)], prop_oneof![3 => 1..400_i64, 1 => 1..9000_i64])
            .prop_map(|(line, amount)| Back::Money(line, amount)),
        1 => (1..900_i64).prop_map(Back::Shipping),
    ];
    let fate = prop_oneof![4 => Just(ReturnDisposition::Shelf), 1 => Just(ReturnDisposition::WrittenOff), 3 => Just(ReturnDisposition::Open)];
    let by = prop_oneof![4 => Just(By::Cash), 2 => Just(By::Card), 2 => Just(By::Owed)];
    (place(model.sales.len()), what, fate, by)
        .prop_map(|(sale, what, fate, by)| Step::Refund { sale, what, fate, by })
        .boxed()
}

/// The next step, drawn to fit the present state.
pub(super) fn steps(model: &Model) -> BoxedStrategy<Step> {
    let purpose =
        prop_oneof![4 => Just(Purpose::Basket), 1 => Just(Purpose::Customer), 2 => Just(Purpose::Market)];
    let some = if model.items.len() < MOST_ITEMS { 8 } else { 1 };
    prop_oneof![
        some => adds(model),
        1 => (place(model.items.len()), 1..9000_i64, any::<bool>())
            .prop_map(|(item, price, stale)| Step::Edit { item, price, stale }),
        5 => adjusts(model),
        5 => place(model.items.len()).prop_map(|item| Step::Remove { item }),
        5 => (lines(model), purpose).prop_map(|(lines, purpose)| Step::Hold { lines, purpose }),
        2 => place(model.groups.len()).prop_map(|group| Step::EndHold { group }),
        1 => Just(Step::Sweep),
        2 => prop_oneof![Just(MINUTE_MS), Just(10 * MINUTE_MS), Just(5 * HOUR_MS), Just(DAY_MS + 3)]
            .prop_map(|millis| Step::Advance { millis }),
        16 => sells(model),
        9 => refunds(model),
        3 => (place(model.refund_lines.len()), any::<bool>())
            .prop_map(|(line, shelf)| Step::Decide { line, shelf }),
        3 => place(model.sales.len()).prop_map(|sale| Step::Void { sale }),
        3 => (place(model.debts.len()), 0..1500_i64).prop_map(|(debt, amount)| Step::Pay { debt, amount }),
        1 => any::<bool>().prop_map(|tokyo| Step::Zone { tokyo }),
        1 => prop_oneof![Just(1_i64), Just(5), Just(10)].prop_map(|step| Step::Rounding { step }),
        8 => (0..6_usize).prop_map(|luck| Step::Tell { luck }),
        14 => states(model).prop_map(Step::Order),
        4 => (0..MOST_ORDERS, 0..9_usize, prop_oneof![3 => 1..400_i64, 1 => 1..9000_i64])
            .prop_map(|(order, number, amount)| Step::MoneyBack { order, number, amount }),
        1 => (0..MOST_ORDERS).prop_map(|order| Step::EndOrderHold { order }),
        2 => (place(model.kept.len()), prop::bool::weighted(0.7))
            .prop_map(|(which, same_body)| Step::Repeat { which, same_body }),
    ]
    .boxed()
}
