//! A number of steps of an item and the money that they are worth, in minor units.

use crate::store::error::{CommandError, Stored};
use domain::basket::LineMoney;
use domain::money::{Currency, Money};
use sqlx::Row;
use sqlx::any::AnyRow;

/// Steps with their money.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Share {
    pub(super) stock_units: i64,
    pub(super) amount: i64,
    pub(super) discount: i64,
    pub(super) tax: i64,
}

impl Share {
    pub(super) fn of(stock_units: i64, money: &LineMoney) -> Self {
        Self {
            stock_units,
            amount: money.amount.minor(),
            discount: money.discount.minor(),
            tax: money.tax.minor(),
        }
    }

    /// From columns `stock_units`, `amount`, `discount` and `tax`, each behind the prefix.
    pub(super) fn read(row: &AnyRow, prefix: &str) -> Result<Self, CommandError> {
        let column = |name: &str| row.try_get(format!("{prefix}{name}").as_str());
        Ok(Self {
            stock_units: column("stock_units")?,
            amount: column("amount")?,
            discount: column("discount")?,
            tax: column("tax")?,
        })
    }

    pub(super) fn money(&self, currency: Currency) -> Result<LineMoney, CommandError> {
        let money = |minor| Money::from_minor(minor, currency).stored("order_state_item");
        Ok(LineMoney { amount: money(self.amount)?, discount: money(self.discount)?, tax: money(self.tax)? })
    }

    pub(super) fn plus(self, other: Self) -> Self {
        Self {
            stock_units: self.stock_units + other.stock_units,
            amount: self.amount + other.amount,
            discount: self.discount + other.discount,
            tax: self.tax + other.tax,
        }
    }

    pub(super) fn minus(self, other: Self) -> Self {
        self.plus(Self {
            stock_units: -other.stock_units,
            amount: -other.amount,
            discount: -other.discount,
            tax: -other.tax,
        })
    }

    /// What `steps` of it are worth, rounded half up; everything for all of its steps.
    pub(super) fn part(self, stock_units: i64) -> Self {
        if self.stock_units <= 0 || stock_units <= 0 {
            return Self::default();
        }
        let of = |whole: i64| {
            let all = i128::from(self.stock_units);
            let share = (i128::from(whole) * i128::from(stock_units) * 2 + all).div_euclid(2 * all);
            i64::try_from(share).unwrap_or(whole)
        };
        Self { stock_units, amount: of(self.amount), discount: of(self.discount), tax: of(self.tax) }
    }

    /// Whether goods could cost this: no part of its money is below 0.
    pub(super) fn could_be(self) -> bool {
        self.stock_units > 0
            && self.amount >= 0
            && (0..=self.amount).contains(&self.discount)
            && self.tax >= 0
    }

    /// Whether a step costs the same in both, apart from rounding.
    pub(super) fn is_priced_as(self, other: Self) -> bool {
        /// Each of the two may differ by one minor unit from the exact share.
        const ROUNDED: i128 = 2;
        let alike = |mine: i64, its: i64| {
            let (mine, its) = (i128::from(mine), i128::from(its));
            let (stock_units, other_steps) = (i128::from(self.stock_units), i128::from(other.stock_units));
            (mine * other_steps - its * stock_units).abs() <= ROUNDED * stock_units.max(other_steps)
        };
        alike(self.amount, other.amount) && alike(self.discount, other.discount) && alike(self.tax, other.tax)
    }
}
