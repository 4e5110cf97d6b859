//! GET /api/deposits

use super::DepositShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PageQuery, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::AccountId;
use serde::Serialize;
use utoipa::ToSchema;

/// Some of the deposits, the latest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DepositsShown {
    deposits: Vec<DepositShown>,
    /// What is left of all of them.
    owed: String,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// All deposits.
#[utoipa::path(get, path = "/api/deposits", tag = "sales", params(PageQuery),
    responses((status = 200, description = "Some of the deposits.", body = DepositsShown), ReadProblems))]
pub(crate) async fn list_deposits(
    State(app): State<App>,
    QueryParam(asked): QueryParam<PageQuery>,
) -> Result<Json<DepositsShown>, Problem> {
    let page = asked.read::<AccountId>()?;
    let mut deposits = app.ledger.deposits(page.after, page.and_one()).await?;
    let next = page.cut(&mut deposits, |deposit| deposit.id.to_string());
    let (owed, _) = app.ledger.deposits_owed().await?;
    let deposits = deposits.into_iter().map(DepositShown::from).collect();
    Ok(Json(DepositsShown { deposits, owed: owed.to_string(), next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn deposits_stand_in_pages_with_the_latest_first() {
        let shop = TestShop::open().await;
        let held = json!({"for": "customer", "forWhom": "Ash", "lines": [{"sku": "COWL", "quantity": "1"}]});
        let hold = shop.post("/api/holds", "h1", held).await.json()["id"].clone();
        for amount in ["5.00", "6.00", "7.00"] {
            let sale = json!({"channel": "store", "lines": [{"kind": "deposit", "hold": hold, "amount": amount}],
                "tenders": [{"kind": "card", "amount": amount}]});
            let sold = shop.post("/api/sales", amount, sale).await;
            assert_eq!(sold.status, 201, "{}", sold.text());
        }
        let first = shop.get("/api/deposits?limit=2").await.json();
        assert_eq!((&first["owed"], &first["deposits"][0]["balance"]), (&json!("18.00"), &json!("7.00")));
        assert_eq!(
            (&first["deposits"][0]["hold"], &first["deposits"][0]["customer"]),
            (&hold, &json!("Ash"))
        );
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/deposits?limit=2&cursor={next}")).await.json();
        assert_eq!((&rest["deposits"][0]["balance"], &rest["next"]), (&json!("5.00"), &json!(null)));
    }
}
