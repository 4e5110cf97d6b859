//! GET /api/custom-orders/{id}

use crate::api::custom_orders::CustomOrderShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::PathParam;
use axum::Json;
use axum::extract::State;
use domain::ids::CustomOrderId;

/// One custom order.
#[utoipa::path(get, path = "/api/custom-orders/{id}", tag = "sales",
    params(("id" = String, Path, description = "As the list gives it.")),
    responses((status = 200, description = "The custom order.", body = CustomOrderShown), ReadProblems))]
pub(crate) async fn read_custom_order(
    State(app): State<App>,
    PathParam(id): PathParam<CustomOrderId>,
) -> Result<Json<CustomOrderShown>, Problem> {
    Ok(Json(app.ledger.custom_order(id).await?.into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn an_order_is_read_as_it_was_taken() {
        let shop = TestShop::open().await;
        let new = json!({"customer": "Ada Moss", "note": "like the one in the window", "due": "2026-06-17"});
        let made = shop.post("/api/custom-orders", "k1", new).await.json();
        let id = made["id"].as_str().expect("an id");
        assert_eq!(shop.get(&format!("/api/custom-orders/{id}")).await.json(), made);
        shop.get("/api/custom-orders/77").await.expect_problem("no-such", 404);
    }
}
