//! What people buy, and what it costs them.

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

/// The least that anybody buys of goods by weight, in thousandths of an ounce.
const LEAST_BY_WEIGHT: i64 = 1_500;
/// Sales tax on goods that are not worn, in percent. Invented. Many places tax clothing differently from
/// tools, which is why tax is entered line by line.
const TAX_PERCENT: i64 = 6;

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
    /// Amounts of a quantity of goods with a discount in percent.
    pub(super) fn of(good: &Good, stock_units: i64, off_percent: i64) -> Result<Self, DemoError> {
        let quantity = Quantity::from_stock_units(stock_units, good.measure).doing("read a quantity")?;
        let amount = line_amount(good.price, quantity).doing("price a line")?;
        let currency = amount.currency();
        // Rounded down to five cents, as people do at a counter.
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

    /// The same for somebody who pays no sales tax.
    pub(super) fn without_tax(self) -> Self {
        Self { tax: Money::zero(self.amount.currency()), ..self }
    }

    /// In minor units, tax included.
    pub(super) fn due(&self) -> i64 {
        self.amount.minor() - self.discount.minor() + self.tax.minor()
    }

    /// The line as the counter rings it up.
    pub(super) fn rung_up(&self) -> SaleLineIn {
        let (code, quantity) = (self.code.clone(), self.asked);
        SaleLineIn::Goods { code, quantity, discount: self.discount, tax: self.tax }
    }

    /// The line as an order has it; past orders have no codes.
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

/// Picks some of what is left; it may be nothing.
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
        let (kind, stock_units) = kind_and_stock_units(dice, door);
        if let Some(good) = shelf.one_left(dice, kind, stock_units, &wanted) {
            wanted.push(Wanted { good, stock_units });
        }
    }
    wanted
}

fn kind_and_stock_units(dice: &mut Rng, door: Door) -> (ItemKind, i64) {
    let kind = dice.between(1, 100);
    if door == Door::Wholesale {
        return if kind <= 25 { (ItemKind::Piece, 1) } else { (ItemKind::Counted, dice.between(3, 8)) };
    }
    match kind {
        1..=24 => (ItemKind::Piece, 1),
        25..=72 if dice.chance(75) => (ItemKind::Counted, 1),
        25..=72 => (ItemKind::Counted, dice.between(2, 4)),
        // A scale with two decimals, in steps of 0.05 oz.
        _ => (ItemKind::Weight, LEAST_BY_WEIGHT + 50 * dice.between(0, 150)),
    }
}

/// The discount of a line in percent: usually none, for resellers always the same.
pub(super) fn off(dice: &mut Rng, door: Door) -> i64 {
    match door {
        Door::Wholesale => 40,
        Door::Market if dice.chance(10) => 10,
        Door::Store | Door::Market | Door::Online if dice.chance(5) => 15,
        Door::Store | Door::Market | Door::Online => 0,
    }
}
