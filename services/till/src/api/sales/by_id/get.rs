//! GET /api/sales/{id}

use crate::api::sales::SaleShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::PathParam;
use axum::Json;
use axum::extract::State;
use domain::ids::SaleId;

/// A sale with its lines, payments and refunds.
#[utoipa::path(get, path = "/api/sales/{id}", tag = "sales", params(("id" = String, Path, description = "The sale.")),
    responses((status = 200, description = "The sale.", body = SaleShown), ReadProblems))]
pub(crate) async fn read_sale(
    State(app): State<App>,
    PathParam(id): PathParam<SaleId>,
) -> Result<Json<SaleShown>, Problem> {
    Ok(Json(app.ledger.sale(id).await?.into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_sale_is_shown_as_it_was() {
        let shop = TestShop::open().await;
        let made = shop.sell("COWL", "k1").await;
        let edit = json!({"name": "Another name", "price": "99.00"});
        assert_eq!(shop.patch("/api/items/COWL", "k2", &[("if-match", "*")], edit).await.status, 200);
        let id = made["id"].as_str().expect("an id");
        let sale = shop.get(&format!("/api/sales/{id}")).await.json();
        for field in ["id", "receipt", "channel", "at", "totals", "change"] {
            assert_eq!(sale[field], made[field], "{field}");
        }
        let line = &sale["lines"][0];
        assert_eq!(
            json!([line["title"], line["price"], line["givenBack"]]),
            json!(["Moor cowl", "48.00", "0"])
        );
        let tender = &sale["tenders"][0];
        assert_eq!(
            json!([tender["kind"], tender["amount"], tender.get("due")]),
            json!(["cash", "50.00", null])
        );
        assert_eq!(json!([sale["voided"], sale["refunds"], sale["order"]]), json!([false, [], null]));
        for id in ["77", "x", "-1", "99999999999999999999"] {
            shop.get(&format!("/api/sales/{id}")).await.expect_problem("no-such", 404);
        }
    }
}
