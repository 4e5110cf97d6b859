//! POST /api/styles

use crate::api::answer::Answer;
use crate::api::items::outcome::{OutcomesShown, answer};
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{BULK_LIMIT, Body, Write};
use crate::request::values;
use axum::extract::State;
use domain::money::Currency;
use domain::pricing::{PriceEnding, PriceError, PriceRule, WeightRate};
use ledger::shelf::{AddStyles, NewStyle};
use serde::Deserialize;
use utoipa::ToSchema;

/// The most styles at once.
const MAX_STYLES: usize = 500;
/// The ending of a style that has none.
const EXACT: &str = "exact";

/// New styles, or known ones with new rates. Prices of items stay as they are.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct StylesText {
    /// 1 to 500.
    styles: Vec<StyleText>,
}

/// A style.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct StyleText {
    /// Found without case.
    style: String,
    /// Money per unit of weight, such as `7.50`.
    rate: String,
    /// UN/CEFACT: ONZ, LBR, GRM, HGM or KGM.
    unit_code: String,
    /// exact, five, whole, or an amount such as 0.95; exact if left out.
    ending: Option<String>,
    /// The lowest price of a piece.
    minimum: Option<String>,
    #[serde(default)]
    sizes: Vec<String>,
    #[serde(default)]
    category: String,
    /// How its pieces are washed and dried, for their tags. The shop’s own words: many places regulate care labels.
    #[serde(default)]
    care: String,
}

impl Body for StylesText {
    const LIMIT: usize = BULK_LIMIT;
}

impl StylesText {
    fn read(&self, currency: Currency, who: String) -> Result<AddStyles, Problem> {
        if !(1..=MAX_STYLES).contains(&self.styles.len()) {
            return Err(Problem::invalid("#/styles", format!("give 1 to {MAX_STYLES} styles")));
        }
        let style = |(index, style): (usize, &StyleText)| style.read(&format!("#/styles/{index}"), currency);
        let styles = self.styles.iter().enumerate().map(style).collect::<Result<_, _>>()?;
        Ok(AddStyles { styles, who })
    }
}

impl StyleText {
    fn read(&self, place: &str, currency: Currency) -> Result<NewStyle, Problem> {
        let rate = WeightRate::parse(&self.rate, &self.unit_code).map_err(|error| {
            let field = if matches!(error, PriceError::Weight(_)) { "unitCode" } else { "rate" };
            Problem::invalid(format!("{place}/{field}"), error)
        })?;
        let ending = PriceEnding::parse(self.ending.as_deref().unwrap_or(EXACT), currency)
            .map_err(|e| Problem::invalid(format!("{place}/ending"), e))?;
        let least = format!("{place}/minimum");
        let minimum = values::money_if(self.minimum.as_deref(), currency, &least)?;
        if minimum.is_some_and(domain::money::Money::is_negative) {
            return Err(Problem::invalid(least, PriceError::Negative));
        }
        Ok(NewStyle {
            name: self.style.clone(),
            rule: PriceRule { rate, ending, minimum },
            sizes: self.sizes.clone(),
            category: self.category.clone(),
            care: self.care.clone(),
        })
    }
}

/// Adds styles, or updates known ones. A single rejected style is a problem; of several, each has its outcome.
#[utoipa::path(post, path = "/api/styles", tag = "items", params(KeyHeader), request_body = StylesText,
    responses(
        (status = 200, description = "What became of each.", body = OutcomesShown),
        (status = 201, description = "All are new.", body = OutcomesShown),
        WriteProblems,
    ))]
pub(crate) async fn add_styles(
    State(app): State<App>,
    write: Write<StylesText>,
) -> Result<Answer<OutcomesShown>, Problem> {
    let styles = write.body.read(app.ledger.shop().currency, write.who)?;
    let done = app.run(&write.key, &styles).await?;
    answer(done, "#/styles")
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn styles_are_added_or_brought_up_to_date() {
        let shop = TestShop::open().await;
        let styles = json!({"styles": [
            {"style": "Ridge beanie", "rate": "8", "unitCode": "ONZ"},
            {"style": "moor cowl", "rate": "7.75", "unitCode": "ONZ", "ending": "whole"},
            {"style": "", "rate": "1", "unitCode": "ONZ"},
        ]});
        let reply = shop.post("/api/styles", "k1", styles.clone()).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let outcomes = reply.json()["outcomes"].clone();
        assert_eq!(outcomes[0], json!({"outcome": "added", "style": "Ridge beanie"}));
        assert_eq!(outcomes[1]["outcome"], "updated");
        assert_eq!(outcomes[2]["problem"]["errors"][0]["pointer"], "#/styles/2/style");
        let again = shop.post("/api/styles", "k1", styles).await;
        assert_eq!((again.json(), again.header("answered-before")), (reply.json(), Some("true")));
    }

    #[tokio::test]
    async fn a_wrong_style_names_its_place() {
        let shop = TestShop::open().await;
        let check = |style: Value, pointer: &'static str| {
            let shop = &shop;
            async move {
                let reply = shop.post("/api/styles", pointer, json!({"styles": [style]})).await;
                reply.expect_fault(pointer);
            }
        };
        check(json!({"style": "", "rate": "1", "unitCode": "ONZ"}), "#/styles/0/style").await;
        check(json!({"style": "a", "rate": "0", "unitCode": "ONZ"}), "#/styles/0/rate").await;
        check(json!({"style": "a", "rate": 7.5, "unitCode": "ONZ"}), "#/styles/0/rate").await;
        check(json!({"style": "a", "rate": "1", "unitCode": "oz"}), "#/styles/0/unitCode").await;
        check(json!({"style": "a", "rate": "1", "unitCode": "ONZ", "ending": "1.5"}), "#/styles/0/ending")
            .await;
        check(json!({"style": "a", "rate": "1", "unitCode": "ONZ", "minimum": "-1"}), "#/styles/0/minimum")
            .await;
        check(json!({"style": "a", "rate": "1", "unitCode": "ONZ", "tax": "1"}), "#/styles/0/tax").await;
        shop.post("/api/styles", "none", json!({"styles": []})).await.expect_fault("#/styles");
    }
}
