//! Changes a style's rate, ending and minimum, and with them the prices of its pieces.

use crate::people::activity_log::{self, Activity};
use crate::shelf::items::stored_weight;
use crate::shelf::styles::{self, StyleView};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::idempotency_key::hex_hash;
use crate::store::rejection::{NotPriced, Rejection, ShelfReason};
use crate::store::settings::own_money;
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::ids::{ItemId, StyleId};
use domain::money::{Currency, Money};
use domain::pricing::PriceRule;
use domain::stock::ItemKind;
use domain::text;
use domain::weight::{Weight, WeightUnit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

/// A price that a new rule changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewPrice {
    /// The item's sku.
    pub sku: String,
    /// Its name.
    pub name: String,
    /// The weight that the price is of.
    pub weight: Weight,
    /// Added to the price by weight.
    pub extras: Money,
    /// The price on the tag now.
    pub old: Money,
    /// The new price.
    pub new: Money,
    /// Whether some of it is on hold: somebody was told the old price.
    pub is_held: bool,
}

/// What a new rule would change.
#[derive(Clone, Debug)]
pub struct RepricePreview {
    /// The style before the change.
    pub style: StyleView,
    /// The largest change first.
    pub changes: Vec<NewPrice>,
    /// Items whose price stays the same under the new rule.
    pub same: usize,
    /// Items in stock with a price override, which stays.
    pub by_hand: usize,
    /// Items for which the new rule gives no price, with the reason; then it cannot be used.
    pub impossible: Vec<(String, NotPriced)>,
    /// A mark of these very changes, by which the command tells whether they are still all.
    pub mark: String,
}

/// Gives a style a new rule, and its items in stock with calculated prices their new prices. Price
/// overrides stay. All of it or nothing.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RepriceStyle {
    /// Which style.
    pub style: StyleId,
    /// The style's revision in the preview.
    pub revision: i64,
    /// The new rule.
    pub rule: PriceRule,
    /// The mark of the preview: if other prices would change than those in the preview, none does.
    pub mark: String,
    /// For the activity log.
    pub who: String,
}

/// The result.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Repriced {
    /// The style's name.
    pub style: String,
    /// How many prices changed.
    pub changed: usize,
    /// The style's new revision.
    pub revision: i64,
}

const ON_SHELF: &str = "SELECT id, sku, name, kind, weight, weight_unit, stock_unit, extras, price, held, priced_by, mass \
    FROM item WHERE style_id = $1 AND on_hand > 0 ORDER BY id";

/// The parts of an item that concern its price.
struct Priced {
    id: i64,
    sku: String,
    name: String,
    weight: Option<Weight>,
    extras: Money,
    price: Money,
    is_held: bool,
    by_hand: bool,
    mass: i64,
}

fn read(row: &AnyRow, currency: Currency) -> Result<Priced, CommandError> {
    let stock_unit: Option<String> = row.try_get("stock_unit")?;
    let stock_unit = stock_unit.map(|u| WeightUnit::from_code(&u)).transpose().stored("item.stock_unit")?;
    let weight = match (row.try_get::<String, _>("kind")? == ItemKind::Weight.code(), stock_unit) {
        // Goods by weight are priced for one of their stock unit.
        (true, Some(unit)) => Weight::new(Decimal::ONE, unit).ok(),
        _ => stored_weight(row.try_get("weight")?, row.try_get("weight_unit")?)?,
    };
    Ok(Priced {
        id: row.try_get("id")?,
        sku: row.try_get("sku")?,
        name: row.try_get("name")?,
        weight,
        extras: Money::from_minor(row.try_get("extras")?, currency).stored("item.extras")?,
        price: Money::from_minor(row.try_get("price")?, currency).stored("item.price")?,
        is_held: row.try_get::<i64, _>("held")? > 0,
        by_hand: row.try_get::<String, _>("priced_by")? == "hand",
        mass: row.try_get("mass")?,
    })
}

impl Priced {
    /// The price under a rule; the current one if it is an override.
    fn under(&self, rule: &PriceRule) -> Result<Money, NotPriced> {
        match self.weight {
            _ if self.by_hand => Ok(self.price),
            None => Err(NotPriced::NoWeight),
            Some(weight) => rule.price(weight, self.extras).map(|w| w.price).map_err(NotPriced::Rule),
        }
    }
}

async fn on_shelf(
    connection: &mut AnyConnection,
    style: StyleId,
    currency: Currency,
) -> Result<Vec<Priced>, CommandError> {
    let rows = sqlx::query(ON_SHELF).bind(style.raw()).fetch_all(connection).await?;
    rows.iter().map(|row| read(row, currency)).collect()
}

/// A hash of the price changes: which items, from what to what.
fn mark(items: &[Priced], rule: &PriceRule) -> String {
    let change = |item: &Priced| {
        let new = item.under(rule).ok().filter(|new| *new != item.price)?;
        Some(format!("{} {} {};", item.id, item.price.minor(), new.minor()))
    };
    hex_hash(items.iter().filter_map(change).collect::<String>().as_bytes())
}

fn checked(rule: &PriceRule, currency: Currency) -> Result<(), Rejection> {
    rule.minimum.map_or(Ok(()), |minimum| own_money("minimum", minimum, currency))
}

impl Ledger {
    /// Every price that a new rule would change, old and new.
    pub async fn preview_reprice(
        &self,
        style: StyleId,
        rule: &PriceRule,
    ) -> Result<RepricePreview, CommandError> {
        let currency = self.shop().currency;
        checked(rule, currency)?;
        let mut connection = self.reader().await?;
        let view = styles::read_one(&mut connection, style, currency).await?;
        let items = on_shelf(&mut connection, style, currency).await?;
        let mut preview = RepricePreview {
            style: view,
            changes: Vec::new(),
            same: 0,
            by_hand: 0,
            impossible: Vec::new(),
            mark: mark(&items, rule),
        };
        for item in items {
            match (item.under(rule), item.weight) {
                _ if item.by_hand => preview.by_hand += 1,
                (Err(why), _) => preview.impossible.push((item.sku, why)),
                (Ok(new), Some(weight)) if new != item.price => preview.changes.push(NewPrice {
                    sku: item.sku,
                    name: item.name,
                    weight,
                    extras: item.extras,
                    old: item.price,
                    new,
                    is_held: item.is_held,
                }),
                (Ok(_), _) => preview.same += 1,
            }
        }
        preview.changes.sort_by_key(|c| std::cmp::Reverse((c.new.minor() - c.old.minor()).abs()));
        Ok(preview)
    }
}

#[async_trait]
impl Command for RepriceStyle {
    type Answer = Repriced;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<Repriced, CommandError> {
        let currency = tx.shop().currency;
        checked(&self.rule, currency)?;
        let style = self.take_style(tx).await?;
        let items = on_shelf(tx.db(), self.style, currency).await?;
        if mark(&items, &self.rule) != self.mark {
            return Err(Rejection::invalid("mark", ShelfReason::PreviewOutdated).into());
        }
        let mut changed = Vec::new();
        for item in items {
            let new = item.under(&self.rule).map_err(|error| {
                Rejection::invalid("rate", ShelfReason::NoPriceByRule { sku: item.sku.clone(), error })
            })?;
            if new != item.price && set_price(tx, self.style, &item, new).await? {
                changed.push(ItemId::from_raw(item.id));
            }
        }
        tx.availability_changed(&changed).await?;
        // The currency of the rate is still the shop's.
        tx.lock_shop_state(0).await?;
        let who = text::short(&self.who).field("who")?;
        let detail =
            format!("{}; {} prices changed", styles::rule_words(&self.rule, currency), changed.len());
        activity_log::note(tx, &who, Activity::Rate, &style, &detail).await?;
        Ok(Repriced { style, changed: changed.len(), revision: self.revision + 1 })
    }
}

impl RepriceStyle {
    /// Gives the style its rule, if it has not changed since the preview; returns its name.
    async fn take_style(&self, tx: &mut Tx) -> Result<String, CommandError> {
        let row = sqlx::query(
            "UPDATE style SET rate = $3, rate_unit = $4, ending = $5, minimum = $6, revision = revision + 1 \
             WHERE id = $1 AND revision = $2 RETURNING name",
        )
        .bind(self.style.raw())
        .bind(self.revision)
        .bind(self.rule.rate.millionths())
        .bind(self.rule.rate.unit().code().to_owned())
        .bind(self.rule.ending.to_string())
        .bind(self.rule.minimum.map(Money::minor))
        .fetch_optional(tx.db())
        .await?;
        match row {
            Some(row) => Ok(row.try_get("name")?),
            None => Err(styles::not_that(tx, self.style, self.revision).await?.into()),
        }
    }
}

/// Sets a price if its parts and its style are unchanged. A piece that was sold in the meantime keeps its own.
async fn set_price(tx: &mut Tx, style: StyleId, item: &Priced, new: Money) -> Result<bool, CommandError> {
    let done = sqlx::query(
        "UPDATE item SET price = $2, revision = revision + 1 WHERE id = $1 AND on_hand > 0 \
         AND priced_by = 'rule' AND price = $3 AND extras = $4 AND mass = $5 AND style_id = $6",
    )
    .bind(item.id)
    .bind(new.minor())
    .bind(item.price.minor())
    .bind(item.extras.minor())
    .bind(item.mass)
    .bind(style.raw())
    .execute(tx.db())
    .await?;
    if done.rows_affected() == 1 {
        return Ok(true);
    }
    let row = sqlx::query("SELECT on_hand FROM item WHERE id = $1").bind(item.id).fetch_one(tx.db()).await?;
    if row.try_get::<i64, _>("on_hand")? == 0 {
        return Ok(false);
    }
    // Edited since it was read: everything is tried again and reads it anew.
    Err(StorageError::Collided(sqlx::Error::RowNotFound).into())
}
