//! POST /api/deposits/{id}/forfeit

use super::get::DepositHistory;
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values;
use axum::extract::State;
use axum::http::StatusCode;
use domain::ids::AccountId;
use ledger::sales::ForfeitDeposit;
use serde::Deserialize;
use utoipa::ToSchema;

/// What is forfeited, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ForfeitText {
    /// All that is left, as it was read: it is refused if that has changed.
    left: String,
    reason: String,
}

impl Body for ForfeitText {}

/// Ends a deposit that the customer lost. It is other income of today, and no sale.
#[utoipa::path(post, path = "/api/deposits/{id}/forfeit", tag = "sales", request_body = ForfeitText,
    params(("id" = String, Path, description = "The deposit."), KeyHeader),
    responses((status = 200, description = "The deposit and its history.", body = DepositHistory), WriteProblems))]
pub(crate) async fn forfeit_deposit(
    State(app): State<App>,
    PathParam(deposit): PathParam<AccountId>,
    write: Write<ForfeitText>,
) -> Result<Answer<DepositHistory>, Problem> {
    let left = values::money(&write.body.left, app.ledger.shop().currency, "#/left")?;
    let forfeit = ForfeitDeposit { deposit, left, reason: write.body.reason, who: write.who };
    let done = app.run(&write.key, &forfeit).await?;
    Ok(Answer::new(StatusCode::OK, done.replayed, DepositHistory::read(&app, deposit).await?))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn what_is_left_is_forfeited_once() {
        let shop = TestShop::open().await;
        let held = json!({"for": "customer", "forWhom": "Ash", "lines": [{"sku": "COWL", "quantity": "1"}]});
        let hold = shop.post("/api/holds", "h1", held).await.json()["id"].clone();
        let taken = json!({"channel": "store", "lines": [{"kind": "deposit", "hold": hold, "amount": "20.00"}],
            "tenders": [{"kind": "card", "amount": "20.00"}]});
        let taken = shop.post("/api/sales", "k1", taken).await.json();
        let path = format!("/api/deposits/{}/forfeit", taken["deposits"][0]["id"].as_str().expect("an id"));
        let body = |left: &str, reason: &str| json!({"left": left, "reason": reason});
        shop.post(&path, "f1", body("19.00", "never came")).await.expect_fault("#/left");
        shop.post(&path, "f2", body("20.00", "")).await.expect_fault("#/reason");
        let done = shop.post(&path, "f3", body("20.00", "never came")).await.json();
        assert_eq!((&done["balance"], &done["changes"][0]["why"]), (&json!("0.00"), &json!("forfeited")));
        shop.post(&path, "f4", body("0.00", "twice")).await.expect_fault("#/left");
        let day = shop.get("/books/day/2026-05-17").await;
        for words in ["Other income", "never came", "20.00"] {
            assert!(day.text().contains(words), "{words} in {}", day.text());
        }
        assert!(shop.get("/books/month/2026-05").await.text().contains("Deposit forfeited"));
        assert!(!shop.get("/books/day/2026-05-18").await.text().contains("Other income"));
    }
}
