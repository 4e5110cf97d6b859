//! Adds items in bulk, and edits one.

use crate::people::activity_log;
use crate::shelf::{item_columns, item_rows, lookup, open_count, styles};
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Edited, Rejection, ShelfReason};
use crate::store::settings::own_money;
use async_trait::async_trait;
use domain::codes::Code;
use domain::ids::ItemId;
use domain::item::{ItemPricing, ItemText, NewItem, TextEdit};
use domain::money::{Currency, Money};
use domain::pricing::{Calculation, PriceRule};
use domain::quantity::{Measure, Quantity};
use domain::stock::ItemKind;
use domain::text;
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::{AssertSqlSafe, Row};

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

/// Changes one item; `None` leaves a value as it is.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EditItem {
    /// Which.
    pub code: Code,
    /// The revision that the caller read (If-Match).
    pub revision: Option<i64>,
    /// In words.
    pub text: TextEdit,
    /// A price override, or back to the rule.
    pub price: Option<PriceChange>,
    /// As the scale showed it; a calculated price follows it.
    pub weight: Option<Weight>,
    /// Added to the price by weight.
    pub extras: Option<Money>,
    /// The cost of making one.
    pub cost: Option<Money>,
    /// Whether it must not be listed online.
    pub do_not_list: Option<bool>,
    /// For the activity log.
    pub who: String,
}

/// Where the price comes from, from now on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum PriceChange {
    /// A price override.
    Hand(Money),
    /// The style's rule.
    Rule,
}

impl EditItem {
    /// Changes nothing yet.
    pub fn new(code: Code, who: &str) -> Self {
        Self {
            code,
            revision: None,
            text: TextEdit::default(),
            price: None,
            weight: None,
            extras: None,
            cost: None,
            do_not_list: None,
            who: who.to_owned(),
        }
    }
}

#[async_trait]
impl Command for EditItem {
    /// The new revision.
    type Answer = i64;

    async fn run(&self, tx: &mut Tx) -> Result<i64, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let currency = tx.shop().currency;
        let found = lookup::find_all(tx, std::slice::from_ref(&self.code)).await?.remove(0);
        // Locks the row, so that what is read next cannot change before this transaction ends.
        let row = sqlx::query("UPDATE item SET revision = revision + 1 WHERE id = $1 RETURNING revision")
            .bind(found.id.raw())
            .fetch_one(tx.db())
            .await?;
        let revision: i64 = row.try_get("revision")?;
        if let Some(expected) = self.revision
            && expected != revision - 1
        {
            let what = Edited::Item { code: self.code.to_string() };
            return Err(Rejection::Stale { what, expected, current: revision - 1 }.into());
        }
        let view = crate::shelf::item_view::read_one(tx.db(), found.id, currency).await?;
        let (text_of, price) = self.applied(&view)?;
        write_edit(tx, found.id, &text_of, &price, self).await?;
        let how = how_priced(self.by_hand(&price).unwrap_or(view.priced_by_hand));
        activity_log::note_price(tx, &who, &view.sku, (view.price, price.price()), how).await?;
        tx.availability_changed(&[found.id]).await?;
        Ok(revision)
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

impl EditItem {
    fn applied(&self, view: &ItemView) -> Result<(ItemText, ItemPrice), Rejection> {
        let by_hand = match self.price {
            Some(PriceChange::Hand(price)) => Some(price),
            Some(PriceChange::Rule) | None => None,
        };
        for (field, amount) in [("extras", self.extras), ("cost", self.cost), ("offers.price", by_hand)] {
            amount.map_or(Ok(()), |a| own_money(field, a, view.price.currency()))?;
        }
        // Images that it has already may be older than this rule.
        item_columns::refuse_images(self.text.images().unwrap_or_default())?;
        let text = item_columns::checked(&self.text.applied(&view.text))?;
        let by_hand = match self.price {
            Some(PriceChange::Hand(price)) => Some(price),
            None if view.priced_by_hand => Some(view.price),
            // Neither weight nor extras changed: the price stays, even if the style's rate has changed
            // since.
            None if self.weight.is_none() && self.extras.is_none() => Some(view.price),
            Some(PriceChange::Rule) | None => None,
        };
        let pricing = ItemPricing {
            style: view.style.clone(),
            weight: self.weight.or(view.weight),
            extras: self.extras.unwrap_or(view.extras),
            price: by_hand,
            cost: self.cost.or(view.cost),
        };
        Ok((text, price_of(&pricing, view.measure(), view.rule.as_ref())?))
    }

    /// Whether the price is an override after the edit.
    fn by_hand(&self, price: &ItemPrice) -> Option<bool> {
        match (self.price, price) {
            (Some(PriceChange::Hand(_)), _) => Some(true),
            (_, ItemPrice::ByRule(_)) => Some(false),
            _ => None,
        }
    }
}

/// Where a price comes from, in words.
pub(crate) fn how_priced(by_hand: bool) -> &'static str {
    if by_hand { "price override" } else { "by the style's rule" }
}

async fn write_edit(
    tx: &mut Tx,
    id: ItemId,
    text_of: &ItemText,
    price: &ItemPrice,
    edit: &EditItem,
) -> Result<(), CommandError> {
    let by_hand = edit.by_hand(price);
    let statement = format!(
        "UPDATE item SET price = $2, priced_by = COALESCE($3, priced_by), weight = COALESCE($4, weight), \
         weight_unit = COALESCE($5, weight_unit), extras = COALESCE($6, extras), cost = COALESCE($7, cost), \
         do_not_list = COALESCE($8, do_not_list), mass = COALESCE($9, mass), {} WHERE id = $1",
        item_columns::assignments(10)
    );
    let statement = sqlx::query(AssertSqlSafe(statement))
        .bind(id.raw())
        .bind(price.price().minor())
        .bind(by_hand.map(|h| if h { "hand" } else { "rule" }.to_owned()))
        .bind(edit.weight.map(|w| w.value().to_string()))
        .bind(edit.weight.map(|w| w.unit().code().to_owned()))
        .bind(edit.extras.map(Money::minor))
        .bind(edit.cost.map(Money::minor))
        .bind(edit.do_not_list.map(i64::from))
        .bind(edit.weight.map(Weight::mass));
    item_columns::bind(statement, text_of).execute(tx.db()).await?;
    Ok(())
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
