//! The weight of a piece, and how it made the price: what a sale keeps of it.

use crate::shelf::items::stored_weight;
use crate::shelf::styles;
use crate::store::error::{CommandError, Stored};
use crate::store::sql::Statement;
use domain::money::{Currency, Money};
use domain::pricing::{Calculation, PriceRule};
use domain::weight::Weight;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// A piece's weight when it was sold, and the rule by which the price followed from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Weighed {
    /// As the scale showed it.
    pub weight: Weight,
    /// None if a person chose the price, or an order came with another one.
    pub pricing: Option<WeightPricing>,
}

/// What gave a price, and how.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WeightPricing {
    /// The style's rule at the time.
    pub rule: PriceRule,
    /// The rule applied to the weight.
    pub calculation: Calculation,
}

impl Weighed {
    /// From an item's row with its style's; `price` is the item's.
    pub(crate) fn of_item(row: &AnyRow, price: Money) -> Result<Option<Self>, CommandError> {
        let by_rule = row.try_get::<String, _>("priced_by")? == "rule";
        let weighed = Self::read(row, price.currency(), by_rule)?;
        Ok(weighed.map(|weighed| weighed.at(price)))
    }

    /// From a sale line's row.
    pub(crate) fn of_line(row: &AnyRow, currency: Currency) -> Result<Option<Self>, CommandError> {
        Self::read(row, currency, true)
    }

    fn read(row: &AnyRow, currency: Currency, by_rule: bool) -> Result<Option<Self>, CommandError> {
        let Some(weight) = stored_weight(row.try_get("weight")?, row.try_get("weight_unit")?)? else {
            return Ok(None);
        };
        let has_rule = by_rule && row.try_get::<Option<i64>, _>("rate")?.is_some();
        if !has_rule {
            return Ok(Some(Self { weight, pricing: None }));
        }
        let rule = styles::rule(row, currency)?;
        let extras = Money::from_minor(row.try_get("extras")?, currency).stored("extras")?;
        let pricing = rule.price(weight, extras).ok().map(|calculation| WeightPricing { rule, calculation });
        Ok(Some(Self { weight, pricing }))
    }

    /// For a sale at this price: another price than the rule's was not made by the rule.
    pub(crate) fn at(self, price: Money) -> Self {
        Self { pricing: self.pricing.filter(|pricing| pricing.calculation.price == price), ..self }
    }
}

/// Binds what a sale line keeps, in the order of its columns.
pub(crate) fn bind(statement: Statement<'_>, weighed: Option<Weighed>) -> Statement<'_> {
    let pricing = weighed.and_then(|weighed| weighed.pricing);
    statement
        .bind(weighed.map(|w| w.weight.value().to_string()))
        .bind(weighed.map(|w| w.weight.unit().code().to_owned()))
        .bind(pricing.map(|p| p.rule.rate.millionths()))
        .bind(pricing.map(|p| p.rule.rate.unit().code().to_owned()))
        .bind(pricing.map(|p| p.rule.ending.to_string()))
        .bind(pricing.map(|p| p.calculation.extras.minor()))
        .bind(pricing.and_then(|p| p.rule.minimum).map(Money::minor))
}
