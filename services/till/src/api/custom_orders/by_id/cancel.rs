//! POST /api/custom-orders/{id}/cancel

use crate::api::answer::Answer;
use crate::api::custom_orders::CustomOrderShown;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use axum::extract::State;
use axum::http::StatusCode;
use domain::ids::CustomOrderId;
use ledger::sales::CancelCustomOrder;
use serde::Deserialize;
use utoipa::ToSchema;

/// Why it is canceled.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct CancelText {
    reason: String,
}

impl Body for CancelText {}

/// Cancels a custom order, and frees its piece. What is left of its deposits stays until it is refunded.
#[utoipa::path(post, path = "/api/custom-orders/{id}/cancel", tag = "sales", request_body = CancelText,
    params(("id" = String, Path, description = "The custom order."), KeyHeader),
    responses((status = 200, description = "The custom order, with what is left of its deposits.", body = CustomOrderShown), WriteProblems))]
pub(crate) async fn cancel_custom_order(
    State(app): State<App>,
    PathParam(order): PathParam<CustomOrderId>,
    write: Write<CancelText>,
) -> Result<Answer<CustomOrderShown>, Problem> {
    let cancel = CancelCustomOrder { order, reason: write.body.reason, who: write.who };
    let done = app.run(&write.key, &cancel).await?;
    Ok(Answer::new(StatusCode::OK, done.replayed, app.ledger.custom_order(order).await?.into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn an_order_is_canceled_once_and_its_deposit_stays() {
        let shop = TestShop::open().await;
        let new = json!({"customer": "Ada Moss", "style": "Moor cowl", "due": "2026-06-17"});
        let made = shop.post("/api/custom-orders", "k1", new).await.json();
        let id = made["id"].as_str().expect("an id").to_owned();
        let sale = json!({"channel": "store", "lines": [{"kind": "deposit", "customOrder": id, "amount": "20.00"}],
            "tenders": [{"kind": "cash", "amount": "20.00"}]});
        let sold = shop.post("/api/sales", "k2", sale).await;
        assert_eq!(sold.status, 201, "{}", sold.text());
        let path = format!("/api/custom-orders/{id}/cancel");
        shop.post(&path, "k3", json!({"reason": ""})).await.expect_fault("#/reason");
        let canceled = shop.post(&path, "k4", json!({"reason": "changed their mind"})).await.json();
        assert_eq!(
            (&canceled["state"], &canceled["deposits"], &canceled["reason"]),
            (&json!("canceled"), &json!("20.00"), &json!("changed their mind"))
        );
        shop.post(&path, "k5", json!({"reason": "twice"})).await.expect_fault("#/order");
    }
}
