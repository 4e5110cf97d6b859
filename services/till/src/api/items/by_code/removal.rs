//! POST /api/items/{code}/removal

use super::patch::RevisionShown;
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use axum::extract::State;
use domain::codes::Code;
use ledger::orders::RemovePiece;
use serde::Deserialize;
use utoipa::ToSchema;

/// Why a piece is removed.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct RemovalText {
    /// What went wrong when it was entered.
    reason: String,
}

impl Body for RemovalText {}

/// Removes a piece that was entered by mistake: its listings end, and nothing lists, finds or counts it any more.
/// A piece that was ever sold, is on hold, or that an order names stays. A count of 1 brings it back.
#[utoipa::path(post, path = "/api/items/{code}/removal", tag = "stock", request_body = RemovalText,
    params(("code" = String, Path, description = "sku, in-store code or GTIN"), KeyHeader),
    responses((status = 200, description = "Its new revision.", body = RevisionShown), WriteProblems))]
pub(crate) async fn remove_piece(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    write: Write<RemovalText>,
) -> Result<Answer<RevisionShown>, Problem> {
    let command = RemovePiece { code, reason: write.body.reason, who: write.who };
    let done = app.run(&write.key, &command).await?;
    Ok(Answer::ok(done.replayed, RevisionShown::of(done.answer)))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_piece_that_nobody_bought_is_removed_once() {
        let shop = TestShop::open().await;
        let remove = |code: &'static str, key: &'static str, reason: &'static str| {
            let shop = &shop;
            let path = format!("/api/items/{code}/removal");
            async move { shop.post(&path, key, json!({"reason": reason})).await }
        };
        remove("COWL", "k0", "").await.expect_fault("#/reason");
        remove("SPINDLE", "k1", "typed twice").await.expect_fault("#/code");
        for replayed in [None, Some("true")] {
            let reply = remove("COWL", "k2", "typed twice").await;
            assert_eq!((reply.status, reply.json()), (200, json!({"revision": "2"})));
            assert_eq!(reply.header("answered-before"), replayed);
        }
        let item = shop.get("/api/items/COWL").await.json();
        assert_eq!((&item["removed"], &item["onHand"]), (&json!(true), &json!("0")));
        let skus = shop.get("/api/items").await;
        assert!(!skus.text().contains("\"COWL\""), "{}", skus.text());
        let moves = shop.get("/api/items/COWL/moves").await.json();
        assert_eq!(
            (&moves["moves"][0]["why"], &moves["moves"][0]["note"]),
            (&json!("mistake"), &json!("typed twice"))
        );
        remove("COWL", "k3", "typed twice").await.expect_problem("gone", 409);
        shop.sell("HAT", "k4").await;
        remove("HAT", "k5", "typed twice").await.expect_problem("already-sold", 409);
    }
}
