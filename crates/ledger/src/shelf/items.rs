//! Adds items in bulk.

use crate::shelf::{item_rows, open_count, styles};
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::settings::own_money;
use async_trait::async_trait;
use domain::ids::ItemId;
use domain::item::{ItemPricing, ItemText, NewItem};
use domain::money::{Currency, Money};
use domain::pricing::{Calculation, PriceRule};
use domain::quantity::{Measure, Quantity};
use domain::stock::ItemKind;
use domain::text;
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// The most items in one [`AddItems`]: more would hold up others for too long.
pub const MAX_ITEMS_AT_ONCE: usize = 500;

/// Where an item's price comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ItemPrice {
    /// The style's rule, with the calculation.
    ByRule(Box<Calculation>),
    /// A person.
    ByHand(Money),
}

impl ItemPrice {
    /// The price of one.
    pub fn price(&self) -> Money {
        match self {
            Self::ByRule(calculation) => calculation.price,
            Self::ByHand(price) => *price,
        }
    }
}

/// The result for a new item.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AddedItem {
    /// Its identifier.
    pub id: ItemId,
    /// Its sku.
    pub sku: String,
    /// The number on its tag.
    pub in_store: String,
    /// Its price.
    pub price: ItemPrice,
}

/// The outcome for a row.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum RowOutcome {
    /// A new item.
    Added(AddedItem),
    /// A new style.
    AddedStyle {
        /// Its name.
        name: String,
    },
    /// The texts or the price of a known item changed.
    Updated {
        /// Which.
        sku: String,
    },
    /// Known, with nothing to change.
    Unchanged {
        /// Which.
        sku: String,
    },
    /// Rejected; the others go on.
    Refused(Rejection),
}

/// Adds items, at most [`MAX_ITEMS_AT_ONCE`]. For a known SKU it updates texts and price, never stock.
/// A wrong row is rejected by itself.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct AddItems {
    /// At most [`MAX_ITEMS_AT_ONCE`].
    pub items: Vec<NewItem>,
    /// For the activity log.
    pub who: String,
    /// The file they come from, so that an interrupted run goes on where it stopped.
    pub progress: Option<crate::shelf::intake::Progress>,
}

#[async_trait]
impl Command for AddItems {
    /// One outcome per item, in the same order.
    type Answer = Vec<RowOutcome>;

    fn is_long(&self) -> bool {
        self.items.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<Vec<RowOutcome>, CommandError> {
        if self.items.len() > MAX_ITEMS_AT_ONCE {
            let reason = ShelfReason::TooManyItems { limit: MAX_ITEMS_AT_ONCE };
            return Err(Rejection::invalid("items", reason).into());
        }
        let who = text::short(&self.who).field("who")?;
        let before =
            |p: &crate::shelf::intake::Progress| p.rows_done - i64::try_from(self.items.len()).unwrap_or(0);
        if let Some(progress) = &self.progress {
            crate::shelf::intake::advance(tx, progress, before(progress)).await?;
        }
        let currency = tx.shop().currency;
        let styles = styles::by_folded_name(tx.db(), currency).await?;
        let prepared: Vec<_> =
            self.items.iter().map(|item| item_rows::prepare(item, &styles, currency)).collect();
        open_count::after_begin(tx).await?;
        let outcomes = item_rows::write(tx, prepared, &who).await?;
        if let Some(progress) = &self.progress {
            crate::shelf::intake::keep(tx, progress, before(progress), &outcomes).await?;
        }
        Ok(outcomes)
    }
}

/// The price of an item: the override if there is one, otherwise the style's rule for the weight. Goods
/// by weight are priced for one of their stock unit.
pub(crate) fn price_of(
    pricing: &ItemPricing,
    measure: Measure,
    rule: Option<&PriceRule>,
) -> Result<ItemPrice, Rejection> {
    if let Some(price) = pricing.price {
        if price.minor() <= 0 {
            return Err(Rejection::invalid("offers.price", ShelfReason::PriceNotPositive));
        }
        return Ok(ItemPrice::ByHand(price));
    }
    let weight = match measure {
        Measure::Thousandths(unit) => Weight::new(Decimal::ONE, unit).ok(),
        Measure::Units => pricing.weight,
    };
    let (Some(rule), Some(weight)) = (rule, weight) else {
        return Err(Rejection::invalid("offers.price", ShelfReason::NoPrice));
    };
    let calculation = rule.price(weight, pricing.extras).named("weight.value")?;
    Ok(ItemPrice::ByRule(Box::new(calculation)))
}

/// Refuses amounts that the shop cannot have.
pub(crate) fn own_amounts(pricing: &ItemPricing, currency: Currency) -> Result<(), Rejection> {
    own_money("extras", pricing.extras, currency)?;
    for (field, amount) in [("cost", pricing.cost), ("offers.price", pricing.price)] {
        amount.map_or(Ok(()), |a| own_money(field, a, currency))?;
    }
    Ok(())
}

/// Where a price comes from, in words.
pub(crate) fn how_priced(by_hand: bool) -> &'static str {
    if by_hand { "price override" } else { "by the style's rule" }
}

/// What became of an item so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ItemPast {
    /// It was never sold.
    Unsold,
    /// It was sold, even if it came back.
    Sold,
    /// It was never sold, was entered by mistake, and was removed.
    Removed,
}

/// An item as it is now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ItemView {
    /// Its identifier.
    pub id: ItemId,
    /// What kind of thing.
    pub kind: ItemKind,
    /// The code that people use for it.
    pub sku: String,
    /// The number on its tag.
    pub in_store: String,
    /// A GTIN from GS1.
    pub gtin: Option<String>,
    /// In words.
    pub text: ItemText,
    /// The name of its style.
    pub style: Option<String>,
    /// The price rule of its style.
    pub rule: Option<PriceRule>,
    /// How its style says that it is washed and dried; may be empty.
    pub care: String,
    /// As the scale showed it.
    pub weight: Option<Weight>,
    /// Added to the price by weight.
    pub extras: Money,
    /// The price of one, or of one stock unit.
    pub price: Money,
    /// Whether the price is an override.
    pub priced_by_hand: bool,
    /// The calculation of the price, as long as the style's rate still gives it.
    pub calculation: Option<Calculation>,
    /// The cost of making one.
    pub cost: Option<Money>,
    /// The unit of goods by weight.
    pub stock_unit: Option<WeightUnit>,
    /// Whether it must not be listed online.
    pub do_not_list: bool,
    /// In stock, on hold or free.
    pub on_hand: Quantity,
    /// On hold.
    pub held: Quantity,
    /// Sold so far less refunded, in units or the stock unit; over the years this may exceed what a
    /// shop has at once.
    pub sold: Decimal,
    /// Whether it was ever sold, or removed as a mistake.
    pub past: ItemPast,
    /// Counts its changes.
    pub revision: i64,
}

impl ItemView {
    /// In stock and not on hold.
    pub fn free(&self) -> Quantity {
        let stock_units = self.on_hand.stock_units() - self.held.stock_units();
        Quantity::from_stock_units(stock_units, self.on_hand.measure()).unwrap_or(self.on_hand)
    }

    /// How its stock is measured.
    pub fn measure(&self) -> Measure {
        self.on_hand.measure()
    }
}

/// Reads a stored weight.
pub(crate) fn stored_weight(
    digits: Option<String>,
    unit: Option<String>,
) -> Result<Option<Weight>, CommandError> {
    match (digits, unit) {
        (Some(digits), Some(unit)) => {
            let unit = WeightUnit::from_code(&unit).stored("item.weight_unit")?;
            Ok(Some(Weight::parse(&digits, unit).stored("item.weight")?))
        }
        _ => Ok(None),
    }
}
