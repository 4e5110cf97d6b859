//! GET /api/deposits/{id}

use crate::api::certificates::by_id::get::CertificateChange;
use crate::api::deposits::DepositShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::PathParam;
use axum::Json;
use axum::extract::State;
use domain::ids::AccountId;
use serde::Serialize;
use utoipa::ToSchema;

/// Changes that are told of one deposit, the latest.
const MOST_CHANGES: usize = 200;

/// A deposit, and what changed it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DepositHistory {
    #[serde(flatten)]
    deposit: DepositShown,
    /// The latest 200 changes, the last one first.
    changes: Vec<CertificateChange>,
}

impl DepositHistory {
    pub(super) async fn read(app: &App, id: AccountId) -> Result<Self, Problem> {
        let deposit = app.ledger.deposit(id).await?.into();
        let changes = app.ledger.deposit_history(id, MOST_CHANGES).await?;
        Ok(Self { deposit, changes: changes.into_iter().map(CertificateChange::from).collect() })
    }
}

/// One deposit.
#[utoipa::path(get, path = "/api/deposits/{id}", tag = "sales",
    params(("id" = String, Path, description = "As the list gives it.")),
    responses((status = 200, description = "The deposit and its history.", body = DepositHistory), ReadProblems))]
pub(crate) async fn read_deposit(
    State(app): State<App>,
    PathParam(id): PathParam<AccountId>,
) -> Result<Json<DepositHistory>, Problem> {
    Ok(Json(DepositHistory::read(&app, id).await?))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn a_deposit_pays_for_what_it_is_for_and_gets_a_refund_back() {
        let shop = TestShop::open().await;
        let ada = shop.post("/api/customers", "c1", json!({"name": "Ada Moss"})).await.json()["id"].clone();
        let held = json!({"for": "customer", "customerId": ada, "lines": [{"sku": "COWL", "quantity": "1"}]});
        let hold = shop.post("/api/holds", "h1", held).await.json()["id"].clone();
        let taken = json!({"channel": "store", "lines": [{"kind": "deposit", "hold": hold, "amount": "20.00"}],
            "tenders": [{"kind": "card", "amount": "20.00"}]});
        let taken = shop.post("/api/sales", "k1", taken).await.json();
        let id = taken["deposits"][0]["id"].clone();
        let cowl = |customer: &Value, deposit: &Value| {
            json!({"channel": "store", "customerId": customer, "hold": hold,
            "lines": [{"sku": "COWL", "quantity": "1"}], "tenders": [
                {"kind": "deposit", "amount": "20.00", "deposit": deposit}, {"kind": "cash", "amount": "28.00"}]})
        };
        shop.post("/api/sales", "k2", cowl(&json!(null), &id)).await.expect_fault("#/tenders/deposit");
        shop.post("/api/sales", "k3", cowl(&ada, &json!(null))).await.expect_fault("#/tenders/deposit");
        let sold = shop.post("/api/sales", "k4", cowl(&ada, &id)).await;
        assert_eq!(sold.status, 201, "{}", sold.text());
        let sold = sold.json();
        let back = json!({"tender": "cash", "reason": "too small", "fate": "shelf"});
        let refunds = format!("/api/sales/{}/refunds", sold["id"].as_str().expect("an id"));
        assert_eq!(shop.post(&refunds, "r1", back).await.status, 201);
        let shown = shop.get(&format!("/api/deposits/{}", id.as_str().expect("an id"))).await.json();
        let told: Vec<(&str, &str)> = shown["changes"]
            .as_array()
            .expect("changes")
            .iter()
            .map(|change| (change["why"].as_str().unwrap_or(""), change["amount"].as_str().unwrap_or("")))
            .collect();
        assert_eq!(told, [("refund", "20.00"), ("spent", "-20.00"), ("sold", "20.00")]);
        assert_eq!((&shown["ended"], &shown["balance"]), (&json!(true), &json!("20.00")));
        shop.get("/api/deposits/77").await.expect_problem("no-such", 404);
    }
}
