//! GET /api/sales

use super::SaleShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PageQuery, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::SaleId;
use serde::Serialize;
use utoipa::ToSchema;

/// Some of the sales, the latest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SalesShown {
    sales: Vec<SaleShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// All sales.
#[utoipa::path(get, path = "/api/sales", tag = "sales", params(PageQuery),
    responses((status = 200, description = "Some of the sales.", body = SalesShown), ReadProblems))]
pub(crate) async fn list_sales(
    State(app): State<App>,
    QueryParam(asked): QueryParam<PageQuery>,
) -> Result<Json<SalesShown>, Problem> {
    let page = asked.read::<SaleId>()?;
    let mut sales = app.ledger.sales(page.after, page.and_one()).await?;
    let next = page.cut(&mut sales, |sale| sale.id.to_string());
    Ok(Json(SalesShown { sales: sales.into_iter().map(SaleShown::from).collect(), next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn sales_stand_in_pages_with_the_latest_first() {
        let shop = TestShop::open().await;
        for (sku, key) in [("COWL", "k1"), ("HAT", "k2"), ("SPINDLE", "k3")] {
            shop.sell(sku, key).await;
        }
        let skus = |page: &serde_json::Value| -> Vec<String> {
            let sales = page["sales"].as_array().expect("sales");
            sales.iter().filter_map(|s| s["lines"][0]["sku"].as_str().map(str::to_owned)).collect()
        };
        let first = shop.get("/api/sales?limit=2").await.json();
        assert_eq!(skus(&first), ["SPINDLE", "HAT"]);
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/sales?limit=2&cursor={next}")).await.json();
        assert_eq!((skus(&rest), &rest["next"]), (vec!["COWL".to_owned()], &json!(null)));
        shop.get("/api/sales?channel=store").await.expect_problem("invalid", 422);
    }
}
