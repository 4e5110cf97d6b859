//! What people choose, and what it comes to.

use super::rng::Rng;
use super::season::Door;
use super::shelf::{Good, Shelf, Wanted};
use super::trouble::{DemoError, Doing};
use domain::basket::line_amount;
use domain::codes::Code;
use domain::money::Money;
use domain::order::{IncomingLine, LinePrice};
use domain::quantity::{Asked, Measure, Quantity};
use domain::stock::ItemKind;
use ledger::sales::SaleLineIn;

/// The least that is sold of goods by weight, in thousandths of an ounce.
const LEAST_BY_WEIGHT: i64 = 1_500;
/// Tax on what is not worn, in percent: invented, like the rest. Many places tax clothing otherwise
/// than tools, which is why tax is given line by line.
const TAX_PERCENT: i64 = 6;

/// A line with its money.
#[derive(Clone, Debug)]
pub(super) struct Priced {
    pub(super) code: Code,
    pub(super) name: String,
    pub(super) kind: ItemKind,
    pub(super) asked: Asked,
    pub(super) price: Money,
    pub(super) amount: Money,
    pub(super) discount: Money,
    pub(super) tax: Money,
}

impl Priced {
    /// So much of a good, with so many percent off.
    pub(super) fn of(good: &Good, steps: i64, off_percent: i64) -> Result<Self, DemoError> {
        let quantity = Quantity::from_steps(steps, good.measure).doing("read a quantity")?;
        let amount = line_amount(good.price, quantity).doing("price a line")?;
        let currency = amount.currency();
        // Down to five cents, as one would at a counter.
        let off = amount.minor() * off_percent / 100 / 5 * 5;
        let discount = Money::from_minor(off, currency).doing("price a line")?;
        let taxed = if good.kind == ItemKind::Piece { 0 } else { amount.minor() - off };
        let tax = Money::from_minor((taxed * TAX_PERCENT + 50) / 100, currency).doing("price a line")?;
        let unit = match good.measure {
            Measure::Thousandths(unit) => Some(unit),
            Measure::Units => None,
        };
        let asked = Asked { value: quantity.value(), unit };
        let (code, name) = (good.code.clone(), good.name.clone());
        Ok(Self { code, name, kind: good.kind, asked, price: good.price, amount, discount, tax })
    }

    /// What the line comes to, in minor units.
    pub(super) fn due(&self) -> i64 {
        self.amount.minor() - self.discount.minor() + self.tax.minor()
    }

    /// As the counter rings it up.
    pub(super) fn rung_up(&self) -> SaleLineIn {
        let (code, quantity) = (self.code.clone(), self.asked);
        SaleLineIn::Goods { code, quantity, discount: self.discount, tax: self.tax }
    }

    /// As an order brings it; without its code in the history of a shop that had none.
    pub(super) fn ordered(&self, with_code: bool) -> IncomingLine {
        IncomingLine {
            code: with_code.then(|| self.code.clone()),
            name: self.name.clone(),
            quantity: self.asked,
            price: LinePrice::Each(self.price),
            discount: self.discount,
            tax: self.tax,
        }
    }
}

/// What somebody takes along, from what is left; it may be nothing.
pub(super) fn choose(dice: &mut Rng, shelf: &Shelf, door: Door) -> Vec<Wanted> {
    let lines = match door {
        Door::Wholesale => dice.between(5, 9),
        Door::Store | Door::Online | Door::Market => match dice.between(1, 100) {
            1..=58 => 1,
            59..=88 => 2,
            _ => 3,
        },
    };
    let mut wanted: Vec<Wanted> = Vec::new();
    for _ in 0..lines {
        let (kind, steps) = kind_and_steps(dice, door);
        if let Some(good) = shelf.one_left(dice, kind, steps, &wanted) {
            wanted.push(Wanted { good, steps });
        }
    }
    wanted
}

fn kind_and_steps(dice: &mut Rng, door: Door) -> (ItemKind, i64) {
    let kind = dice.between(1, 100);
    if door == Door::Wholesale {
        return if kind <= 25 { (ItemKind::Piece, 1) } else { (ItemKind::Counted, dice.between(3, 8)) };
    }
    match kind {
        1..=24 => (ItemKind::Piece, 1),
        25..=72 if dice.chance(75) => (ItemKind::Counted, 1),
        25..=72 => (ItemKind::Counted, dice.between(2, 4)),
        // A scale of two decimals, in steps of 0.05 oz.
        _ => (ItemKind::Weight, LEAST_BY_WEIGHT + 50 * dice.between(0, 150)),
    }
}

/// What is off a line, in percent: mostly nothing, for a shop that buys to sell a lot.
pub(super) fn off(dice: &mut Rng, door: Door) -> i64 {
    match door {
        Door::Wholesale => 40,
        Door::Market if dice.chance(10) => 10,
        Door::Store | Door::Market | Door::Online if dice.chance(5) => 15,
        Door::Store | Door::Market | Door::Online => 0,
    }
}
