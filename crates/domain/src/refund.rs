//! What a refund of part of a line gives back, so that all parts add up to the whole.

use crate::basket::CashRounding;
use crate::money::{Money, MoneyError};
use serde::{Deserialize, Serialize};

/// A line as it was sold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sold {
    /// Steps of its quantity, more than 0.
    pub stock_units: i64,
    /// Quantity × price.
    pub amount: Money,
    /// Discount.
    pub discount: Money,
    /// Tax.
    pub tax: Money,
    /// Cost, where it is known.
    pub cost: Option<Money>,
}

/// A part of a line, or all parts given back so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Part {
    /// Steps of quantity.
    pub stock_units: i64,
    /// Of the amount.
    pub amount: Money,
    /// Of the discount.
    pub discount: Money,
    /// Of the tax.
    pub tax: Money,
    /// Of the cost; nothing where it is not known.
    pub cost: Money,
}

/// Why a part cannot be given back.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RefundError {
    /// Nothing, or less.
    #[error("a refund must be more than 0")]
    NotPositive,
    /// More than is left.
    #[error("you asked to refund {asked}, but only {left} of the {sold} sold can still be refunded")]
    MoreThanSold {
        /// Steps asked for.
        asked: i64,
        /// Steps left.
        left: i64,
        /// Steps sold.
        sold: i64,
    },
    /// More money than is left.
    #[error("{asked} was asked to be given back, and {left} is left")]
    MoreMoney {
        /// The amount asked for.
        asked: Money,
        /// What is left of the line, its tax included.
        left: Money,
    },
    /// The amount is out of range.
    #[error(transparent)]
    Money(#[from] MoneyError),
}

/// What was given back of a line before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GivenBack {
    /// All of it.
    pub all: Part,
    /// As much of it as was money alone.
    pub alone: Part,
}

impl GivenBack {
    /// Nothing yet.
    pub fn none(like: Money) -> Self {
        Self { all: Part::none(like), alone: Part::none(like) }
    }

    /// With one part more; what has no steps is money alone.
    pub fn plus(&self, part: &Part) -> Result<Self, MoneyError> {
        let alone = if part.stock_units == 0 { self.alone.plus(part)? } else { self.alone };
        Ok(Self { all: self.all.plus(part)?, alone })
    }
}

impl Part {
    /// Nothing yet.
    pub fn none(like: Money) -> Self {
        let zero = Money::zero(like.currency());
        Self { stock_units: 0, amount: zero, discount: zero, tax: zero, cost: zero }
    }

    /// What the customer gets: amount − discount + tax.
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

/// The next `steps` of a line of which `before` was given back already. The share is taken on the
/// running total, so that parts in any sizes add up; the last part gives all that remains. Money alone
/// that was given before comes off the last goods, not off these: a part gives its full share while so
/// much is left.
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
    // What stays may not be discounted by more than it is worth.
    let discount_left = sold.discount.minus(all.discount)?.minus(part.discount)?;
    part.amount = lesser(part.amount, sold.amount.minus(all.amount)?.minus(discount_left)?);
    Ok(part)
}

/// Money that is given back of a line without any goods, tax included. It is shared over what is left of
/// the line's amount, discount and tax; all that is left gives each of them to the minor unit.
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

/// `round(whole × reached / all) − given`, half away from zero, never below nothing.
fn running_share(whole: Money, given: Money, all: i64, reached: i64) -> Result<Money, MoneyError> {
    let part = rounded_share(whole, reached, all)?.minus(given)?;
    Ok(if part.is_negative() { Money::zero(whole.currency()) } else { part })
}

/// `round(whole × part / all)`, half away from zero; nothing of nothing.
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
    /// To the minor unit.
    pub exact: Money,
    /// As it was handed out.
    pub handed_out: Money,
}

/// What the next refund of `exact` in cash hands out. Rounded is the sum of what went back so far, so that
/// small parts pay out what the whole would; never below nothing, where an earlier coin was larger.
pub fn next_cash_back(exact: Money, before: &CashBack, rule: CashRounding) -> Result<Money, MoneyError> {
    let reached = rule.round(before.exact.plus(exact)?)?;
    let part = reached.minus(before.handed_out)?;
    Ok(if part.is_negative() { Money::zero(exact.currency()) } else { part })
}
