//! Items.

pub(crate) mod by_code;
pub(crate) mod get;
pub(crate) mod outcome;
pub(crate) mod post;

use crate::api::shown::{self, TextShown};
use crate::request::caller::Caller;
use crate::request::values::WeightText;
use domain::codes::Gtin;
use domain::people::Permission;
use domain::pricing::Calculation;
use ledger::online::Offers;
use ledger::shelf::{ItemPast, ItemView};
use serde::Serialize;
use utoipa::ToSchema;

/// An item as it is now.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct ItemShown {
    id: String,
    /// piece, counted or weight.
    kind: &'static str,
    /// The code that people use for it.
    sku: String,
    /// The code on its tag, which any scanner reads; never a GTIN outside the shop.
    in_store_code: String,
    gtin13: Option<String>,
    #[serde(flatten)]
    text: TextShown,
    style: Option<String>,
    weight: Option<WeightText>,
    /// Added to the price by weight.
    extras: String,
    /// The price of one, or of one stock unit.
    price: String,
    price_currency: String,
    /// `rule` or `hand`.
    priced_by: &'static str,
    /// How the price was calculated, as long as the style's rate still gives it.
    calculation: Option<CalculationShown>,
    /// The cost of making one; null if unknown, left out for callers who may not see it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, required = false)]
    #[expect(clippy::option_option, reason = "left out and null are two different things here")]
    cost: Option<Option<String>>,
    /// The unit in which goods by weight are stocked and priced.
    unit_code: Option<&'static str>,
    /// Whether it must not be listed online.
    do_not_list: bool,
    /// Whether it was entered by mistake and removed.
    removed: bool,
    on_hand: String,
    /// How much of it is on hold.
    held: String,
    /// How much of it can be sold now.
    free: String,
    /// Sold so far, less refunded.
    sold: String,
    /// `listed` or `ended` online; null if it was never sent.
    listing: Option<&'static str>,
    revision: String,
}

/// A price by weight, step by step.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct CalculationShown {
    weight: WeightText,
    /// Money per unit of weight.
    rate: String,
    /// The unit of the rate.
    unit_code: &'static str,
    /// Rate × weight, rounded to the minor unit.
    by_weight: String,
    extras: String,
    /// exact, five, whole, or an amount such as 0.95.
    ending: String,
    /// The price after the ending.
    ended: String,
    /// The style's minimum, if it decided the price.
    minimum: Option<String>,
    price: String,
    /// The whole calculation in words.
    #[schema(example = "6.35 oz × 7.50 an ounce = 47.63 → 48.00")]
    words: String,
}

impl From<&Calculation> for CalculationShown {
    fn from(calculation: &Calculation) -> Self {
        Self {
            weight: calculation.weight.into(),
            rate: calculation.rate.per().to_string(),
            unit_code: calculation.rate.unit().code(),
            by_weight: calculation.by_weight.to_string(),
            extras: calculation.extras.to_string(),
            ending: calculation.ending.to_string(),
            ended: calculation.ended.to_string(),
            minimum: calculation.minimum_used.map(|m| m.to_string()),
            price: calculation.price.to_string(),
            words: calculation.to_string(),
        }
    }
}

impl ItemShown {
    /// What this caller may see of it.
    fn of(item: ItemView, offers: Option<&Offers>, caller: &Caller) -> Self {
        let free = shown::quantity(item.free());
        let unit_code = shown::unit_code(item.measure());
        Self {
            id: item.id.to_string(),
            kind: item.kind.code(),
            gtin13: item.gtin.as_deref().and_then(|g| Gtin::parse(g).ok()).and_then(|g| g.gtin13()),
            sku: item.sku,
            in_store_code: item.in_store,
            text: item.text.into(),
            style: item.style,
            weight: item.weight.map(WeightText::from),
            extras: item.extras.to_string(),
            price: item.price.to_string(),
            price_currency: item.price.currency().to_string(),
            priced_by: if item.priced_by_hand { "hand" } else { "rule" },
            calculation: item.calculation.as_ref().map(CalculationShown::from),
            cost: caller.may(Permission::SeeCost).then(|| item.cost.map(|c| c.to_string())),
            unit_code,
            do_not_list: item.do_not_list,
            removed: item.past == ItemPast::Removed,
            on_hand: shown::quantity(item.on_hand),
            held: shown::quantity(item.held),
            free,
            sold: item.sold.to_string(),
            listing: offers.and_then(Offers::state).map(domain::stock::ListingState::code),
            revision: item.revision.to_string(),
        }
    }
}
