//! GET /settings: every form of the room, filled from the settings.

use super::channels::Channels;
use super::counter::Counter;
use super::receipts::Receipts;
use super::shop::ShopFields;
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::{capital, zones};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use domain::money::{Currency, Money};
use domain::weight::WeightUnit;
use ledger::shelf::StyleView;
use serde::Deserialize;

/// Which form was saved just before.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RoomQuery {
    kept: Option<String>,
}

#[derive(Debug)]
pub(crate) struct Rule {
    style: String,
    rate: String,
    ending: String,
    minimum: String,
}

#[derive(Template)]
#[template(path = "settings/room.html")]
pub(crate) struct Page {
    pub(super) frame: Frame,
    pub(super) kept: String,
    pub(super) zones: Vec<(String, String)>,
    pub(super) units: Vec<(&'static str, &'static str)>,
    pub(super) currency_is_fixed: bool,
    pub(super) shop: ShopFields,
    pub(super) counter: Counter,
    pub(super) receipts: Receipts,
    pub(super) channels: Channels,
    pub(super) rules: Vec<Rule>,
}

fn unit_words(unit: WeightUnit) -> &'static str {
    match unit {
        WeightUnit::Ounce => "ounces",
        WeightUnit::Pound => "pounds",
        WeightUnit::Gram => "grams",
        WeightUnit::HundredGrams => "hundred grams",
        WeightUnit::Kilogram => "kilograms",
    }
}

fn rule(style: StyleView, currency: Currency) -> Rule {
    let rate = style.rule.rate;
    Rule {
        rate: rate.words(currency),
        ending: capital(&style.rule.ending.words(currency)),
        minimum: style.rule.minimum.map(Money::shown).unwrap_or_default(),
        style: style.name,
    }
}

/// The room as it is set, into which a form with faults is then put.
pub(super) async fn read(app: &App, caller: &Caller, kept: String) -> Result<Page, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    let styles = app.ledger.styles().await?;
    Ok(Page {
        frame: Frame::new(app, caller, Room::Settings),
        kept,
        zones: zones(),
        units: WeightUnit::ALL.map(|unit| (unit.code(), unit_words(unit))).to_vec(),
        currency_is_fixed: app.ledger.currency_is_fixed().await?,
        shop: ShopFields::of(&shop, app.ledger.now()),
        counter: Counter::of(&shop),
        receipts: Receipts::of(&shop),
        channels: Channels::of(&shop),
        rules: styles.into_iter().map(|style| rule(style, shop.currency)).collect(),
    })
}

/// GET /settings
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<RoomQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    read(&app, &caller, asked.kept.unwrap_or_default()).await.map(HtmlPage)
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn everything_that_is_set_stands_in_the_room() {
        let shop = TestShop::open().await;
        let page = shop.get("/settings").await;
        for part in [
            "value=\"Our farm\"",
            "<option value=\"Europe/London\">",
            "It is May 17, 2026, 12:00 PM in UTC",
            "<option value=\"ONZ\" selected>ounces</option>",
            "readonly",
            "<th scope=\"row\">Moor cowl</th><td data-label=\"Rate\">$7.50 an ounce</td><td data-label=\"Rounding\">To the nearest $1</td>",
            "href=\"/shelf/styles\"",
            "name=\"fee.online\"",
            "action=\"/settings/backup\"",
            "sealed scale",
            "Card numbers",
        ] {
            assert!(page.text().contains(part), "{part} in {}", page.text());
        }
    }
}
