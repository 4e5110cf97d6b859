//! GET /api/styles

use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use axum::Json;
use axum::extract::State;
use ledger::shelf::StyleView;
use serde::Serialize;
use utoipa::ToSchema;

/// All styles by name. A farm has dozens, so they fit in one answer.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct StylesShown {
    styles: Vec<StyleShown>,
}

/// A style.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct StyleShown {
    style: String,
    /// Money per unit of weight.
    rate: String,
    unit_code: &'static str,
    /// exact, five, whole, or an amount such as 0.95.
    ending: String,
    minimum: Option<String>,
    sizes: Vec<String>,
    category: String,
    /// How its pieces are washed and dried, for their tags; may be empty.
    care: String,
    revision: String,
}

impl From<StyleView> for StyleShown {
    fn from(style: StyleView) -> Self {
        Self {
            style: style.name,
            rate: style.rule.rate.per().to_string(),
            unit_code: style.rule.rate.unit().code(),
            ending: style.rule.ending.to_string(),
            minimum: style.rule.minimum.map(|m| m.to_string()),
            sizes: style.sizes,
            category: style.category,
            care: style.care,
            revision: style.revision.to_string(),
        }
    }
}

/// All styles.
#[utoipa::path(get, path = "/api/styles", tag = "items",
    responses(
        (status = 200, description = "All styles.", body = StylesShown),
        ReadProblems,
    ))]
pub(crate) async fn list_styles(State(app): State<App>) -> Result<Json<StylesShown>, Problem> {
    let styles = app.ledger.styles().await?;
    Ok(Json(StylesShown { styles: styles.into_iter().map(StyleShown::from).collect() }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn styles_stand_by_name() {
        let shop = TestShop::open().await;
        let more = json!({"styles": [{"style": "Felted insole", "rate": "12.5", "unitCode": "HGM", "ending": "0.95",
            "minimum": "9.00", "sizes": ["38", "39"], "category": "felt", "care": "Wipe clean."}]});
        assert_eq!(shop.post("/api/styles", "k1", more).await.status, 201);
        let shown = shop.get("/api/styles").await.json();
        let expected = json!({"styles": [
            {"style": "Felted insole", "rate": "12.5", "unitCode": "HGM", "ending": "0.95", "minimum": "9.00",
             "sizes": ["38", "39"], "category": "felt", "care": "Wipe clean.", "revision": "1"},
            {"style": "Moor cowl", "rate": "7.5", "unitCode": "ONZ", "ending": "whole", "minimum": null,
             "sizes": [], "category": "", "care": "", "revision": "1"},
        ]});
        assert_eq!(shown, expected);
    }
}
