//! POST /api/sales/{id}/void

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use axum::extract::State;
use domain::ids::SaleId;
use ledger::sales::VoidSale;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Why a sale is voided.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct VoidText {
    reason: String,
}

impl Body for VoidText {}

/// The sale that was voided.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct VoidedShown {
    sale: String,
    voided: bool,
}

/// Voids a sale of today that was rung up by mistake: it is undone as if it had not been made.
#[utoipa::path(post, path = "/api/sales/{id}/void", tag = "sales", request_body = VoidText,
    params(("id" = String, Path, description = "The sale."), KeyHeader),
    responses(
        (status = 200, description = "The sale that was voided.", body = VoidedShown),
        WriteProblems,
    ))]
pub(crate) async fn void_sale(
    State(app): State<App>,
    PathParam(sale): PathParam<SaleId>,
    write: Write<VoidText>,
) -> Result<Answer<VoidedShown>, Problem> {
    let void = VoidSale { sale, reason: write.body.reason, who: write.who };
    let done = app.run(&write.key, &void).await?;
    Ok(Answer::ok(done.replayed, VoidedShown { sale: sale.to_string(), voided: true }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_sale_of_today_is_voided_once() {
        let shop = TestShop::open().await;
        let sale = shop.sell("COWL", "k1").await;
        let id = sale["id"].as_str().expect("an id");
        let path = format!("/api/sales/{id}/void");
        let why = json!({"reason": "rung up twice"});
        for replayed in [None, Some("true")] {
            let reply = shop.post(&path, "v1", why.clone()).await;
            assert_eq!((reply.status, reply.json()), (200, json!({"sale": id, "voided": true})));
            assert_eq!(reply.header("answered-before"), replayed);
        }
        assert_eq!(shop.get(&format!("/api/sales/{id}")).await.json()["voided"], true);
        assert_eq!(shop.get("/api/items/COWL").await.json()["free"], "1");
        for replayed in [None, Some("true")] {
            let again = shop.post(&path, "v2", why.clone()).await;
            again.expect_problem("not-voidable", 409);
            assert_eq!(again.header("answered-before"), replayed);
        }
        let late = shop.sell("COWL", "k2").await;
        shop.next_day();
        let path = format!("/api/sales/{}/void", late["id"].as_str().expect("an id"));
        shop.post(&path, "v3", why.clone()).await.expect_problem("not-voidable", 409);
        shop.post("/api/sales/77/void", "v4", why).await.expect_problem("no-such", 404);
        shop.post(&path, "v5", json!({})).await.expect_problem("invalid", 422);
        shop.post(&path, "v6", json!({"reason": "4000 0000 0000 0002"})).await.expect_fault("#/reason");
    }
}
