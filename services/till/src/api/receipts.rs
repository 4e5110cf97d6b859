//! GET /api/receipts/{number}

use crate::api::sales::SaleShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PathParam, Receipt};
use axum::Json;
use axum::extract::State;

/// The sale with this receipt number.
#[utoipa::path(get, path = "/api/receipts/{number}", tag = "sales",
    params(("number" = String, Path, description = "As the receipt shows it.")),
    responses((status = 200, description = "The sale.", body = SaleShown), ReadProblems))]
pub(crate) async fn read_receipt(
    State(app): State<App>,
    PathParam(number): PathParam<Receipt>,
) -> Result<Json<SaleShown>, Problem> {
    Ok(Json(app.ledger.sale_by_receipt(number.0).await?.into()))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_receipt_finds_its_sale() {
        let shop = TestShop::open().await;
        let sale = shop.sell("COWL", "k1").await;
        let receipt = sale["receipt"].as_str().expect("a receipt");
        let found = shop.get(&format!("/api/receipts/{receipt}")).await.json();
        assert_eq!((&found["id"], &found["receipt"]), (&sale["id"], &sale["receipt"]));
        for number in ["999", "-1", "x", "99999999999999999999"] {
            shop.get(&format!("/api/receipts/{number}")).await.expect_problem("no-such", 404);
        }
    }
}
