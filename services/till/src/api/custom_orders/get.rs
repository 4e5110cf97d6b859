//! GET /api/custom-orders

use super::CustomOrderShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PageQuery, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::CustomOrderId;
use serde::Serialize;
use utoipa::ToSchema;

/// Some of the custom orders, the latest first.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct CustomOrdersShown {
    custom_orders: Vec<CustomOrderShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// All custom orders.
#[utoipa::path(get, path = "/api/custom-orders", tag = "sales", params(PageQuery),
    responses((status = 200, description = "Some of the custom orders.", body = CustomOrdersShown), ReadProblems))]
pub(crate) async fn list_custom_orders(
    State(app): State<App>,
    QueryParam(asked): QueryParam<PageQuery>,
) -> Result<Json<CustomOrdersShown>, Problem> {
    let page = asked.read::<CustomOrderId>()?;
    let mut orders = app.ledger.custom_orders(page.after, page.and_one()).await?;
    let next = page.cut(&mut orders, |order| order.id.to_string());
    let custom_orders = orders.into_iter().map(CustomOrderShown::from).collect();
    Ok(Json(CustomOrdersShown { custom_orders, next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn orders_stand_in_pages_with_the_latest_first() {
        let shop = TestShop::open().await;
        for size in ["S", "M", "L"] {
            let new =
                json!({"customer": "Ada Moss", "style": "Moor cowl", "size": size, "due": "2026-06-17"});
            assert_eq!(shop.post("/api/custom-orders", size, new).await.status, 201);
        }
        let sizes = |page: &Value| -> Vec<String> {
            let all = page["customOrders"].as_array().expect("orders");
            all.iter().filter_map(|one| one["size"].as_str().map(str::to_owned)).collect()
        };
        let first = shop.get("/api/custom-orders?limit=2").await.json();
        assert_eq!(sizes(&first), ["L", "M"]);
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/custom-orders?limit=2&cursor={next}")).await.json();
        assert_eq!((sizes(&rest), &rest["next"]), (vec!["S".to_owned()], &json!(null)));
    }
}
