//! DELETE /api/holds/{id}

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::WriteNothing;
use crate::request::query::PathParam;
use axum::extract::State;
use domain::ids::HoldGroupId;
use ledger::orders::EndHold;
use serde::Serialize;
use utoipa::ToSchema;

/// The result of ending a hold.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct EndedShown {
    /// How many lines are free again.
    freed_lines: String,
}

/// Ends a hold, so that its items are free again.
#[utoipa::path(delete, path = "/api/holds/{id}", tag = "holds",
    params(("id" = String, Path, description = "The hold."), KeyHeader),
    responses((status = 200, description = "What was freed.", body = EndedShown), WriteProblems))]
pub(crate) async fn end_hold(
    State(app): State<App>,
    PathParam(id): PathParam<HoldGroupId>,
    write: WriteNothing,
) -> Result<Answer<EndedShown>, Problem> {
    let done = app.run(&write.key, &EndHold { id }).await?;
    Ok(Answer::ok(done.replayed, EndedShown { freed_lines: done.answer.to_string() }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_hold_is_ended_once() {
        let shop = TestShop::open().await;
        let hold = json!({"for": "customer", "forWhom": "Ann", "lines": [{"sku": "COWL", "quantity": "1"}]});
        let hold = shop.post("/api/holds", "k1", hold).await.json();
        let path = format!("/api/holds/{}", hold["id"].as_str().expect("an id"));
        let refused = shop.post("/api/sales", "s1", TestShop::cash_sale("COWL")).await;
        refused.expect_problem("on-hold", 409);
        assert_eq!((refused.json()["forWhom"].as_str(), refused.json().get("until")), (Some("Ann"), None));
        for replayed in [None, Some("true")] {
            let reply = shop.delete(&path, "d1").await;
            assert_eq!((reply.status, reply.json()), (200, json!({"freedLines": "1"})));
            assert_eq!(reply.header("answered-before"), replayed);
        }
        let over = shop.delete(&path, "d2").await;
        over.expect_problem("hold-over", 409);
        assert_eq!(over.json()["state"], "ended");
        shop.sell("COWL", "s2").await;
        shop.delete("/api/holds/77", "d3").await.expect_problem("no-such", 404);
        shop.delete("/api/holds/x", "d4").await.expect_problem("no-such", 404);
    }
}
