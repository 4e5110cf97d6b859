//! POST /api/orders/{id}/lines/{line}/substitute

use super::{DecidedShown, decide};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::caller::Caller;
use crate::request::query::OrderLinePath;
use crate::request::values;
use axum::extract::State;
use ledger::orders::LineChoice;
use serde::Deserialize;
use utoipa::ToSchema;

/// The substitute.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SubstituteBody {
    /// The item's SKU, in-store code or GTIN.
    sku: String,
    /// The reason, for later questions.
    reason: Option<String>,
}

impl Body for SubstituteBody {}

/// Sells another item in the line's place for the same amount. It becomes the order's sale or, if there is one
/// already, a further sale of the order.
#[utoipa::path(post, path = "/api/orders/{id}/lines/{line}/substitute", tag = "online",
    params(("id" = String, Path, description = "The order."), ("line" = String, Path, description = "Its line."), KeyHeader),
    request_body = SubstituteBody,
    responses((status = 200, description = "What became of the line.", body = DecidedShown), WriteProblems))]
pub(crate) async fn substitute_line(
    State(app): State<App>,
    caller: Caller,
    at: OrderLinePath,
    write: Write<SubstituteBody>,
) -> Result<Answer<DecidedShown>, Problem> {
    let code = values::code(&write.body.sku, "#/sku")?;
    decide(&app, &write.key, at, LineChoice::Substitute(code), write.body.reason, caller.who).await
}

#[cfg(test)]
mod tests {
    use crate::api::orders::tests::{order, short_line};
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn each_choice_is_made_once() {
        let shop = TestShop::open().await;
        let (id, line) = short_line(&shop).await;
        let to = format!("/api/orders/{id}/lines/{line}");
        let closest = shop.get(&format!("{to}/closest")).await;
        assert_eq!(
            (closest.status, &closest.json()["pieces"][0]["sku"]),
            (200, &json!("HAT")),
            "{}",
            closest.text()
        );
        assert!(closest.has_no_number());
        let body = json!({"sku": "HAT", "reason": "agreed"});
        let first = shop.post(&format!("{to}/substitute"), "s1", body.clone()).await;
        assert_eq!(first.status, 200, "{}", first.text());
        let told = first.json();
        assert!(
            told["sale"].is_string() && told["goodsBack"].is_null() && told["orderNumber"] == "H-2",
            "{told}"
        );
        let again = shop.post(&format!("{to}/substitute"), "s1", body).await;
        assert_eq!((again.json(), again.header("answered-before")), (told, Some("true")));
        let other = shop.post(&format!("{to}/refund"), "s2", json!({})).await;
        other.expect_problem("invalid", 422);
        assert!(other.text().contains("was already substituted by api"), "{}", other.text());
    }

    #[tokio::test]
    async fn money_back_is_told_with_the_shipping() {
        let shop = TestShop::open().await;
        let (id, line) = short_line(&shop).await;
        let reply = shop.post(&format!("/api/orders/{id}/lines/{line}/refund"), "r1", json!({})).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let told = reply.json();
        assert_eq!((&told["goodsBack"], &told["shippingBack"]), (&json!("48.00"), &json!("6.00")));
    }

    #[tokio::test]
    async fn a_line_is_filled_again_or_released() {
        let shop = TestShop::open().await;
        let body = json!({"lines": [{"sku": "HAT", "quantity": "1"}], "for": "market"});
        let held = shop.post("/api/holds", "h1", body).await.json();
        let hold = held["id"].clone();
        let (id, line) = order(&shop, "H-8", "HAT").await;
        let to = format!("/api/orders/{id}/lines/{line}");
        shop.post(&format!("{to}/fill"), "f1", json!({})).await.expect_problem("on-hold", 409);
        shop.post(&format!("{to}/release"), "f2", json!({"hold": hold, "reason": " "}))
            .await
            .expect_problem("invalid", 422);
        let done = shop.post(&format!("{to}/release"), "f3", json!({"hold": hold, "reason": "rain"})).await;
        assert_eq!(done.status, 200, "{}", done.text());
        shop.post("/api/orders/x/lines/1/fill", "f4", json!({})).await.expect_problem("no-such", 404);
    }
}
