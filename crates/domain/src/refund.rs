//! What a refund of part of a line gives back, so that all parts add up to the whole.

use crate::basket::CashRounding;
use crate::money::{Money, MoneyError};
use serde::{Deserialize, Serialize};

/// A line as it was sold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sold {
    /// Steps of its quantity, more than 0.
    pub steps: i64,
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
    pub steps: i64,
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
    #[error("a refund gives back more than 0")]
    NotPositive,
    /// More than is left.
    #[error("{asked} was asked to be given back, and {left} is left of the {sold} sold")]
    MoreThanSold {
        /// Steps asked for.
        asked: i64,
        /// Steps left.
        left: i64,
        /// Steps sold.
        sold: i64,
    },
    /// The amount is out of range.
    #[error(transparent)]
    Money(#[from] MoneyError),
}

impl Part {
    /// Nothing yet.
    pub fn none(like: Money) -> Self {
        let zero = Money::zero(like.currency());
        Self { steps: 0, amount: zero, discount: zero, tax: zero, cost: zero }
    }

    /// What the customer gets: amount − discount + tax.
    pub fn given_back(&self) -> Result<Money, MoneyError> {
        self.amount.minus(self.discount)?.plus(self.tax)
    }

    /// The sum of two parts.
    pub fn plus(&self, other: &Self) -> Result<Self, MoneyError> {
        Ok(Self {
            steps: self.steps + other.steps,
            amount: self.amount.plus(other.amount)?,
            discount: self.discount.plus(other.discount)?,
            tax: self.tax.plus(other.tax)?,
            cost: self.cost.plus(other.cost)?,
        })
    }
}

/// The next `steps` of a line of which `before` was given back already. The share is taken on the
/// running total, so that parts in any sizes add up; the last part gives all that remains.
pub fn next_part(sold: &Sold, before: &Part, steps: i64) -> Result<Part, RefundError> {
    if steps <= 0 {
        return Err(RefundError::NotPositive);
    }
    let left = sold.steps - before.steps;
    if steps > left {
        return Err(RefundError::MoreThanSold { asked: steps, left, sold: sold.steps });
    }
    let share = |whole: Money, given: Money| running_share(whole, given, sold.steps, before.steps + steps);
    Ok(Part {
        steps,
        amount: share(sold.amount, before.amount)?,
        discount: share(sold.discount, before.discount)?,
        tax: share(sold.tax, before.tax)?,
        cost: share(sold.cost.unwrap_or(Money::zero(sold.amount.currency())), before.cost)?,
    })
}

/// `round(whole × reached / all) − given`, half away from zero, never below nothing.
fn running_share(whole: Money, given: Money, all: i64, reached: i64) -> Result<Money, MoneyError> {
    let product = i128::from(whole.minor()) * i128::from(reached) * 2 + i128::from(all);
    let target = product.div_euclid(i128::from(all) * 2);
    let target =
        Money::from_minor(i64::try_from(target).map_err(|_| MoneyError::TooLarge)?, whole.currency())?;
    let part = target.minus(given)?;
    Ok(if part.is_negative() { Money::zero(whole.currency()) } else { part })
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
