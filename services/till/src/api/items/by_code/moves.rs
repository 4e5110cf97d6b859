//! GET /api/items/{code}/moves

use crate::api::shown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PageQuery, PathParam, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::codes::Code;
use domain::ids::EntryId;
use ledger::shelf::StockMove;
use serde::Serialize;
use utoipa::ToSchema;

/// Some of an item's stock entries, latest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MovesShown {
    moves: Vec<MoveShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// A stock entry.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct MoveShown {
    id: String,
    /// Above 0 came in, below 0 went out.
    change: String,
    /// The unit of goods by weight.
    unit_code: Option<&'static str>,
    /// made, count, damage, gift, own-use, mistake, sold, put-back or voided.
    why: &'static str,
    /// The sale that took it or that it was returned from; otherwise null.
    sale: Option<String>,
    note: String,
    who: String,
    at: String,
}

impl From<StockMove> for MoveShown {
    fn from(entry: StockMove) -> Self {
        Self {
            id: entry.id.to_string(),
            change: shown::quantity(entry.change),
            unit_code: shown::unit_code(entry.change.measure()),
            why: entry.why.code(),
            sale: entry.sale.map(|sale| sale.to_string()),
            note: entry.note,
            who: entry.who,
            at: entry.at.to_string(),
        }
    }
}

/// What came in and went out of an item's stock. Entries are only ever added; their sum is the stock.
#[utoipa::path(get, path = "/api/items/{code}/moves", tag = "stock",
    params(("code" = String, Path, description = "sku, in-store code or GTIN"), PageQuery),
    responses((status = 200, description = "Some of the entries.", body = MovesShown), ReadProblems))]
pub(crate) async fn list_moves(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    QueryParam(asked): QueryParam<PageQuery>,
) -> Result<Json<MovesShown>, Problem> {
    let page = asked.read::<EntryId>()?;
    let mut moves = app.ledger.stock_moves(&code, page.after, page.and_one()).await?;
    let next = page.cut(&mut moves, |entry| entry.id.to_string());
    Ok(Json(MovesShown { moves: moves.into_iter().map(MoveShown::from).collect(), next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn moves_stand_in_pages_with_the_latest_first() {
        let shop = TestShop::open().await;
        let sale = shop.sell("SPINDLE", "k1").await;
        let less = json!({"less": "2", "why": "damage", "note": "cracked"});
        assert_eq!(shop.post("/api/items/SPINDLE/stock", "k2", less).await.status, 200);
        let first = shop.get("/api/items/SPINDLE/moves?limit=2").await.json();
        let short = |page: &serde_json::Value| -> Vec<serde_json::Value> {
            let moves = page["moves"].as_array().expect("moves");
            moves.iter().map(|m| json!([m["change"], m["why"], m["note"]])).collect()
        };
        assert_eq!(short(&first), [json!(["-2", "damage", "cracked"]), json!(["-1", "sold", ""])]);
        assert_eq!((&first["moves"][0]["sale"], &first["moves"][1]["sale"]), (&json!(null), &sale["id"]));
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/items/SPINDLE/moves?limit=2&cursor={next}")).await.json();
        assert_eq!((short(&rest), &rest["next"]), (vec![json!(["10", "made", ""])], &json!(null)));
        shop.get("/api/items/NOPE/moves").await.expect_problem("unknown-code", 404);
        shop.get("/api/items/SPINDLE/moves?limit=x").await.expect_problem("invalid", 422);
    }
}
