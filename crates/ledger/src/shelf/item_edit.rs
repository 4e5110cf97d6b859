//! Edits one item, and tells beforehand what price an edit leads to.

use crate::people::activity_log::{self, Activity};
use crate::shelf::items::{ItemPrice, ItemView, how_priced, price_of};
use crate::shelf::styles::{self, StyleView};
use crate::shelf::{item_columns, item_name, item_view, lookup};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Edited, Rejection, ShelfReason};
use crate::store::settings::own_money;
use async_trait::async_trait;
use domain::codes::Code;
use domain::color;
use domain::ids::ItemId;
use domain::item::{ItemPricing, ItemText, TextEdit, TextField};
use domain::money::{Currency, Money};
use domain::pricing::{Calculation, PriceRule, margin};
use domain::quantity::Measure;
use domain::text;
use domain::weight::Weight;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// Changes one item; `None` leaves a value as it is.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EditItem {
    /// Which.
    pub code: Code,
    /// The revision that the caller read (If-Match).
    pub revision: Option<i64>,
    /// In words.
    pub text: TextEdit,
    /// The name of its style from now on, or empty for none; a calculated price follows it.
    pub style: Option<String>,
    /// A price override, or back to the rule.
    pub price: Option<PriceChange>,
    /// As the scale showed it; a calculated price follows it.
    pub weight: Option<Weight>,
    /// Added to the price by weight.
    pub extras: Option<Money>,
    /// The cost of making one.
    pub cost: Option<CostChange>,
    /// Whether it must not be listed online.
    pub do_not_list: Option<bool>,
    /// Why, for the activity log. If it is given, it may not be empty where the weight, the style, the price or
    /// the cost changes: that is how a person corrects them.
    pub reason: Option<String>,
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

/// What is known of the cost, from now on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum CostChange {
    /// The cost of making one.
    Is(Money),
    /// Nothing.
    Unknown,
}

/// What an edit leads to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EditPreview {
    /// The item as it is now.
    pub before: ItemView,
    /// The price after the edit.
    pub price: Money,
    /// Whether that is an override.
    pub by_hand: bool,
    /// How the style's rule calculates a price for it, even if it is overridden; none if the price is that of an
    /// earlier rate, which the edit keeps.
    pub calculation: Option<Calculation>,
    /// Price less cost, if the cost is known.
    pub margin: Option<Money>,
}

impl EditItem {
    /// Changes nothing yet.
    pub fn new(code: Code, who: &str) -> Self {
        Self {
            code,
            revision: None,
            text: TextEdit::default(),
            style: None,
            price: None,
            weight: None,
            extras: None,
            cost: None,
            do_not_list: None,
            reason: None,
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
        let reason = text::short(self.reason.as_deref().unwrap_or_default()).field("reason")?;
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
        let view = item_view::read_one(tx.db(), found.id, currency).await?;
        let after = self.applied(tx.db(), &view).await?;
        if self.reason.is_some() && reason.is_empty() && after.corrects(&view) {
            return Err(Rejection::invalid("reason", ShelfReason::NoCorrectionReason).into());
        }
        write(tx, found.id, &after).await?;
        note(tx, &who, &view, &after, &reason).await?;
        tx.availability_changed(&[found.id]).await?;
        Ok(revision)
    }
}

/// Which style an item has after an edit.
enum StyleChange {
    Same { name: String, rule: Option<PriceRule> },
    None,
    Other(Box<StyleView>),
}

impl StyleChange {
    fn name(&self) -> &str {
        match self {
            Self::Same { name, .. } => name,
            Self::None => "",
            Self::Other(style) => &style.name,
        }
    }

    fn rule(&self) -> Option<PriceRule> {
        match self {
            Self::Same { rule, .. } => *rule,
            Self::None => None,
            Self::Other(style) => Some(style.rule),
        }
    }

    fn is_same(&self) -> bool {
        matches!(self, Self::Same { .. })
    }

    fn id(&self) -> Option<i64> {
        match self {
            Self::Other(style) => Some(style.id.raw()),
            Self::Same { .. } | Self::None => None,
        }
    }
}

/// An item's values after an edit.
struct After {
    text: ItemText,
    style: StyleChange,
    weight: Option<Weight>,
    extras: Money,
    price: ItemPrice,
    by_hand: bool,
    cost: Option<Money>,
    do_not_list: bool,
}

impl EditItem {
    fn own_amounts(&self, currency: Currency) -> Result<(), Rejection> {
        let by_hand = match self.price {
            Some(PriceChange::Hand(price)) => Some(price),
            Some(PriceChange::Rule) | None => None,
        };
        let cost = match self.cost {
            Some(CostChange::Is(cost)) => Some(cost),
            Some(CostChange::Unknown) | None => None,
        };
        for (field, amount) in [("extras", self.extras), ("cost", cost), ("offers.price", by_hand)] {
            amount.map_or(Ok(()), |a| own_money(field, a, currency))?;
        }
        Ok(())
    }

    async fn applied(&self, connection: &mut AnyConnection, view: &ItemView) -> Result<After, CommandError> {
        self.own_amounts(view.price.currency())?;
        // Images that it has already may be older than this rule.
        item_columns::refuse_images(self.text.images().unwrap_or_default())?;
        let style = self.new_style(connection, view).await?;
        let text = self.new_text(view, style.name())?;
        let (weight, extras) = (self.weight.or(view.weight), self.extras.unwrap_or(view.extras));
        let is_same = style.is_same() && (weight, extras) == (view.weight, view.extras);
        let by_hand = match self.price {
            Some(PriceChange::Hand(price)) => Some(price),
            None if view.priced_by_hand => Some(view.price),
            // What the price is calculated of stays: so does the price, even if the style's rate has changed since.
            None if is_same => Some(view.price),
            Some(PriceChange::Rule) | None => None,
        };
        let cost = match self.cost {
            None => view.cost,
            Some(CostChange::Is(cost)) => Some(cost),
            Some(CostChange::Unknown) => None,
        };
        let pricing = ItemPricing { style: None, weight, extras, price: by_hand, cost };
        let price = price_of(&pricing, view.measure(), style.rule().as_ref())?;
        let by_hand = match (self.price, &price) {
            (Some(PriceChange::Hand(_)), _) => true,
            (_, ItemPrice::ByRule(_)) => false,
            (_, ItemPrice::ByHand(_)) => view.priced_by_hand,
        };
        let do_not_list = self.do_not_list.unwrap_or(view.do_not_list);
        Ok(After { text, style, weight, extras, price, by_hand, cost, do_not_list })
    }

    /// A name that nobody typed follows the style, the colors and the size.
    fn new_text(&self, view: &ItemView, style: &str) -> Result<ItemText, Rejection> {
        let mut text = item_columns::checked(&self.text.applied(&view.text))?;
        let before = (view.style.as_deref().unwrap_or_default(), &view.text);
        let name = item_name::following(before, (style, &text)).filter(|_| !self.text.names(TextField::Name));
        if let Some(name) = name {
            text.name = TextField::Name.checked(&name).named("name")?;
        }
        Ok(text)
    }

    async fn new_style(
        &self,
        connection: &mut AnyConnection,
        view: &ItemView,
    ) -> Result<StyleChange, CommandError> {
        let own = view.style.clone().unwrap_or_default();
        let name = self.style.as_deref().map_or(own.as_str(), str::trim);
        if text::fold(name) == text::fold(&own) {
            return Ok(StyleChange::Same { name: own, rule: view.rule });
        }
        if name.is_empty() {
            return Ok(StyleChange::None);
        }
        let mut known = styles::by_folded_name(connection, view.price.currency()).await?;
        let unknown = || ShelfReason::UnknownStyle { name: name.to_owned() };
        let style = known.remove(&text::fold(name));
        Ok(StyleChange::Other(Box::new(style.ok_or_else(|| Rejection::invalid("style", unknown()))?)))
    }
}

impl After {
    /// Whether something changes that a price or the books are made of.
    fn corrects(&self, before: &ItemView) -> bool {
        !self.style.is_same()
            || (self.weight, self.extras, self.cost) != (before.weight, before.extras, before.cost)
            || (self.price.price(), self.by_hand) != (before.price, before.priced_by_hand)
    }

    /// What changes besides the price, each as `weight 6.35 oz → 6.53 oz`.
    fn changes(&self, before: &ItemView) -> Vec<String> {
        let mut changes = Vec::new();
        let mut change = |what: &str, old: String, new: String| {
            let shown = |text: String| if text.is_empty() { "none".to_owned() } else { text };
            if old != new {
                changes.push(format!("{what} {} → {}", shown(old), shown(new)));
            }
        };
        let weight = |weight: Option<Weight>| weight.map(|w| w.to_string()).unwrap_or_default();
        let cost = |cost: Option<Money>| cost.map(Money::shown).unwrap_or_default();
        change("style", before.style.clone().unwrap_or_default(), self.style.name().to_owned());
        change("weight", weight(before.weight), weight(self.weight));
        change("extras", before.extras.shown(), self.extras.shown());
        change("cost", cost(before.cost), cost(self.cost));
        for (field, new) in self.text.fields().filter(|(field, _)| *field != TextField::Description) {
            let shown = |text: &str| match field {
                TextField::Color => color::shown(text),
                _ => text.to_owned(),
            };
            change(words_of(field), shown(before.text.get(field)), shown(new));
        }
        // These are too long for the log.
        for (what, is_other) in [
            ("description changed", self.text.description != before.text.description),
            ("photographs changed", self.text.images != before.text.images),
            ("not to be listed online", self.do_not_list && !before.do_not_list),
            ("may be listed online", before.do_not_list && !self.do_not_list),
        ] {
            changes.extend(is_other.then(|| what.to_owned()));
        }
        changes
    }
}

fn words_of(field: TextField) -> &'static str {
    match field {
        TextField::Name => "name",
        TextField::Description => "description",
        TextField::Color => "colors",
        TextField::Size => "size",
        TextField::Material => "fibers",
        TextField::Brand => "brand",
    }
}

/// Records what changed, with the reason if there is one.
async fn note(
    tx: &mut Tx,
    who: &str,
    before: &ItemView,
    after: &After,
    reason: &str,
) -> Result<(), CommandError> {
    let mut changes = after.changes(before);
    let act = if changes.is_empty() { Activity::Price } else { Activity::Correction };
    let price = activity_log::price_words(before.price, after.price.price(), how_priced(after.by_hand));
    changes.extend(price.map(|words| if act == Activity::Price { words } else { format!("price {words}") }));
    if changes.is_empty() {
        return Ok(());
    }
    changes.extend((!reason.is_empty()).then(|| reason.to_owned()));
    activity_log::note(tx, who, act, &before.sku, &changes.join("; ")).await
}

async fn write(tx: &mut Tx, id: ItemId, after: &After) -> Result<(), CommandError> {
    let statement = format!(
        "UPDATE item SET price = $2, priced_by = $3, weight = $4, weight_unit = $5, extras = $6, cost = $7, \
         do_not_list = $8, mass = $9, style_id = CASE WHEN CAST($10 AS BIGINT) = 1 THEN CAST($11 AS BIGINT) \
         ELSE style_id END, {} WHERE id = $1",
        item_columns::assignments(12)
    );
    let statement = sqlx::query(AssertSqlSafe(statement))
        .bind(id.raw())
        .bind(after.price.price().minor())
        .bind(if after.by_hand { "hand" } else { "rule" }.to_owned())
        .bind(after.weight.map(|w| w.value().to_string()))
        .bind(after.weight.map(|w| w.unit().code().to_owned()))
        .bind(after.extras.minor())
        .bind(after.cost.map(Money::minor))
        .bind(i64::from(after.do_not_list))
        .bind(crate::shelf::find_text::mass(after.weight))
        .bind(i64::from(!after.style.is_same()))
        .bind(after.style.id());
    item_columns::bind(statement, &after.text).execute(tx.db()).await?;
    Ok(())
}

impl Ledger {
    /// What an edit leads to, without making it.
    pub async fn preview_edit(&self, edit: &EditItem) -> Result<EditPreview, CommandError> {
        let before = self.item(&edit.code).await?;
        let mut connection = self.reader().await?;
        let after = edit.applied(&mut connection, &before).await?;
        let weight = match before.measure() {
            Measure::Thousandths(unit) => Weight::new(Decimal::ONE, unit).ok(),
            Measure::Units => after.weight,
        };
        let price = after.price.price();
        let calculation =
            after.style.rule().zip(weight).and_then(|(rule, weight)| rule.price(weight, after.extras).ok());
        Ok(EditPreview {
            by_hand: after.by_hand,
            calculation: calculation.filter(|calculation| after.by_hand || calculation.price == price),
            margin: margin(price, after.cost).field("cost")?,
            price,
            before,
        })
    }
}
