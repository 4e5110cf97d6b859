//! What a refund of part of a line returns, so that all parts add up to the whole.

use crate::basket::CashRounding;
use crate::money::{Money, MoneyError};
use serde::{Deserialize, Serialize};

/// A line as it was sold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sold {
    /// Its quantity in steps, more than 0.
    pub stock_units: i64,
    /// Quantity × price.
    pub amount: Money,
    /// Taken off the line, its share of the sale's discount included.
    pub discount: Money,
    /// The sales tax of the line.
    pub tax: Money,
    /// None if it is not known.
    pub cost: Option<Money>,
}

/// A part of a line, or everything refunded of it so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Part {
    /// In steps; 0 for money without goods.
    pub stock_units: i64,
    /// Share of the line's amount.
    pub amount: Money,
    /// Share of the line's discount.
    pub discount: Money,
    /// Share of the line's tax.
    pub tax: Money,
    /// Share of the line's cost; 0 if it is not known.
    pub cost: Money,
}

/// Why a part cannot be refunded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RefundError {
    /// A quantity or amount of 0 or less.
    #[error("a refund must be more than 0")]
    NotPositive,
    /// More goods than are left.
    #[error("you asked to refund {asked}, but only {left} of the {sold} sold can still be refunded")]
    MoreThanSold {
        /// In steps.
        asked: i64,
        /// In steps.
        left: i64,
        /// In steps.
        sold: i64,
    },
    /// More money than is left.
    #[error("{asked} was asked to be given back, and {left} is left")]
    MoreMoney {
        /// The amount that was asked for.
        asked: Money,
        /// What is left of the line, tax included.
        left: Money,
    },
    /// An amount is out of range.
    #[error(transparent)]
    Money(#[from] MoneyError),
}

/// What was refunded of a line before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GivenBack {
    /// Goods and money together.
    pub all: Part,
    /// The part of it that was money without goods.
    pub alone: Part,
}

impl GivenBack {
    /// Nothing refunded yet.
    pub fn none(like: Money) -> Self {
        Self { all: Part::none(like), alone: Part::none(like) }
    }

    /// With one more part; a part without steps is money alone.
    pub fn plus(&self, part: &Part) -> Result<Self, MoneyError> {
        let alone = if part.stock_units == 0 { self.alone.plus(part)? } else { self.alone };
        Ok(Self { all: self.all.plus(part)?, alone })
    }
}

impl Part {
    /// Nothing.
    pub fn none(like: Money) -> Self {
        let zero = Money::zero(like.currency());
        Self { stock_units: 0, amount: zero, discount: zero, tax: zero, cost: zero }
    }

    /// What the customer gets back: amount − discount + tax.
    pub fn given_back(&self) -> Result<Money, MoneyError> {
        self.amount.minus(self.discount)?.plus(self.tax)
    }

    /// The sum of two parts.
    pub fn plus(&self, other: &Self) -> Result<Self, MoneyError> {
        Ok(Self {
            stock_units: self.stock_units + other.stock_units,
            amount: self.amount.plus(other.amount)?,
            discount: self.discount.plus(other.discount)?,
            tax: self.tax.plus(other.tax)?,
            cost: self.cost.plus(other.cost)?,
        })
    }
}

/// The next `steps` of a line of which `before` was already refunded. Shares are computed from the
/// running total, so that parts of any size add up, and the last part gets whatever is left. Money that
/// was refunded without goods comes off the last goods, not off these: a part gets its full share as
/// long as that much is left.
pub fn next_part(sold: &Sold, before: &GivenBack, stock_units: i64) -> Result<Part, RefundError> {
    let GivenBack { all, alone } = before;
    if stock_units <= 0 {
        return Err(RefundError::NotPositive);
    }
    let left = sold.stock_units - all.stock_units;
    if stock_units > left {
        return Err(RefundError::MoreThanSold { asked: stock_units, left, sold: sold.stock_units });
    }
    let share = |whole: Money, given: Money, alone: Money| -> Result<Money, MoneyError> {
        let share =
            running_share(whole, given.minus(alone)?, sold.stock_units, all.stock_units + stock_units)?;
        Ok(lesser(share, whole.minus(given)?))
    };
    let mut part = Part {
        stock_units,
        amount: share(sold.amount, all.amount, alone.amount)?,
        discount: share(sold.discount, all.discount, alone.discount)?,
        tax: share(sold.tax, all.tax, alone.tax)?,
        cost: share(sold.cost.unwrap_or(Money::zero(sold.amount.currency())), all.cost, alone.cost)?,
    };
    // What stays may not have a larger discount than it is worth.
    let discount_left = sold.discount.minus(all.discount)?.minus(part.discount)?;
    part.amount = lesser(part.amount, sold.amount.minus(all.amount)?.minus(discount_left)?);
    Ok(part)
}

/// Money refunded without goods, tax included. It is shared over what is left of the line's amount,
/// discount and tax; refunding all that is left leaves exactly 0 of each.
pub fn money_part(sold: &Sold, before: &Part, money: Money) -> Result<Part, RefundError> {
    let discounted = sold.amount.minus(before.amount)?;
    let discount_left = sold.discount.minus(before.discount)?;
    let goods_left = discounted.minus(discount_left)?;
    let tax_left = sold.tax.minus(before.tax)?;
    let left = goods_left.plus(tax_left)?;
    if money.is_negative() || money.is_zero() {
        return Err(RefundError::NotPositive);
    }
    if money.minor() > left.minor() {
        return Err(RefundError::MoreMoney { asked: money, left });
    }
    let tax = rounded_share(tax_left, money.minor(), left.minor())?;
    let goods = money.minus(tax)?;
    let discount = rounded_share(discount_left, goods.minor(), goods_left.minor())?;
    Ok(Part {
        stock_units: 0,
        amount: goods.plus(discount)?,
        discount,
        tax,
        cost: Money::zero(money.currency()),
    })
}

fn lesser(one: Money, other: Money) -> Money {
    if other.minor() < one.minor() { other } else { one }
}

/// `round(whole × reached / all) − given`, half away from zero, never below 0.
fn running_share(whole: Money, given: Money, all: i64, reached: i64) -> Result<Money, MoneyError> {
    let part = rounded_share(whole, reached, all)?.minus(given)?;
    Ok(if part.is_negative() { Money::zero(whole.currency()) } else { part })
}

/// `round(whole × part / all)`, half away from zero; 0 if all is 0.
fn rounded_share(whole: Money, part: i64, all: i64) -> Result<Money, MoneyError> {
    if all == 0 {
        return Ok(Money::zero(whole.currency()));
    }
    let product = i128::from(whole.minor()) * i128::from(part) * 2 + i128::from(all);
    let share = product.div_euclid(i128::from(all) * 2);
    Money::from_minor(i64::try_from(share).map_err(|_| MoneyError::TooLarge)?, whole.currency())
}

/// What the refunds of one sale came to in cash so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CashBack {
    /// To the minor unit, before rounding.
    pub exact: Money,
    /// The cash that was handed out.
    pub handed_out: Money,
}

/// The cash to hand out for the next refund of `exact`. The sum of all refunds so far is what gets
/// rounded, so that small parts pay out the same as the whole; never below 0, if an earlier rounding
/// was generous.
pub fn next_cash_back(exact: Money, before: &CashBack, rule: CashRounding) -> Result<Money, MoneyError> {
    let reached = rule.round(before.exact.plus(exact)?)?;
    let part = reached.minus(before.handed_out)?;
    Ok(if part.is_negative() { Money::zero(exact.currency()) } else { part })
}
