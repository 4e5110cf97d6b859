//! POST /api/refund-lines/{id}/fate

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values;
use axum::extract::State;
use domain::ids::RefundLineId;
use ledger::sales::DecideReturn;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The decision about refunded goods.
#[derive(Debug, Deserialize, Serialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct FateText {
    /// `shelf` (return to stock) or `written-off`.
    fate: String,
}

impl Body for FateText {}

/// Decides what becomes of refunded goods.
#[utoipa::path(post, path = "/api/refund-lines/{id}/fate", tag = "sales", request_body = FateText,
    params(("id" = String, Path, description = "A line of a refund."), KeyHeader),
    responses((status = 200, description = "What was decided.", body = FateText), WriteProblems))]
pub(crate) async fn decide_fate(
    State(app): State<App>,
    PathParam(line): PathParam<RefundLineId>,
    write: Write<FateText>,
) -> Result<Answer<FateText>, Problem> {
    let fate = values::fate(&write.body.fate, "#/fate")?;
    let done = app.run(&write.key, &DecideReturn { line, fate, who: write.who }).await?;
    Ok(Answer::ok(done.replayed, write.body))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_fate_is_decided_once() {
        let shop = TestShop::open().await;
        let sale = shop.sell("COWL", "k1").await;
        let id = sale["id"].as_str().expect("an id");
        let refund = json!({"fate": "open", "tender": "cash", "reason": "too small"});
        let refund = shop.post(&format!("/api/sales/{id}/refunds"), "r1", refund).await.json();
        let line = refund["lines"][0]["id"].as_str().expect("a line");
        let path = format!("/api/refund-lines/{line}/fate");
        shop.post(&path, "f0", json!({"fate": "open"})).await.expect_fault("#/fate");
        shop.post(&path, "f1", json!({"fate": "lost"})).await.expect_fault("#/fate");
        let done = shop.post(&path, "f2", json!({"fate": "shelf"})).await;
        assert_eq!((done.status, done.json()), (200, json!({"fate": "shelf"})));
        let again = shop.post(&path, "f2", json!({"fate": "shelf"})).await;
        assert_eq!((again.status, again.header("answered-before")), (200, Some("true")));
        assert_eq!(shop.get("/api/items/COWL").await.json()["onHand"], "1");
        shop.post(&path, "f3", json!({"fate": "written-off"})).await.expect_fault("#/fate");
        shop.post("/api/refund-lines/77/fate", "f4", json!({"fate": "shelf"}))
            .await
            .expect_problem("no-such", 404);
    }
}
