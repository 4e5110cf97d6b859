//! GET /api/holds

use super::HoldShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PageQuery, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::HoldGroupId;
use serde::Serialize;
use utoipa::ToSchema;

/// Some of the open holds, latest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HoldsShown {
    holds: Vec<HoldShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// Everything on hold, for whom and until when.
#[utoipa::path(get, path = "/api/holds", tag = "holds", params(PageQuery),
    responses((status = 200, description = "Some of the holds.", body = HoldsShown), ReadProblems))]
pub(crate) async fn list_holds(
    State(app): State<App>,
    QueryParam(asked): QueryParam<PageQuery>,
) -> Result<Json<HoldsShown>, Problem> {
    let page = asked.read::<HoldGroupId>()?;
    let mut holds = app.ledger.open_holds(page.after, page.and_one()).await?;
    let next = page.cut(&mut holds, |hold| hold.id.to_string());
    Ok(Json(HoldsShown { holds: holds.into_iter().map(HoldShown::from).collect(), next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn holds_stand_in_pages_with_the_latest_first() {
        let shop = TestShop::open().await;
        for (sku, whom) in [("COWL", "Ann"), ("HAT", "Ben"), ("SPINDLE", "Cay")] {
            let hold = json!({"for": "customer", "forWhom": whom, "lines": [{"sku": sku, "quantity": "1"}]});
            assert_eq!(shop.post("/api/holds", whom, hold).await.status, 201);
        }
        let names = |page: &serde_json::Value| -> Vec<String> {
            let holds = page["holds"].as_array().expect("holds");
            holds.iter().filter_map(|h| h["forWhom"].as_str().map(str::to_owned)).collect()
        };
        let first = shop.get("/api/holds?limit=2").await.json();
        assert_eq!(names(&first), ["Cay", "Ben"]);
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/holds?limit=2&cursor={next}")).await.json();
        assert_eq!((names(&rest), &rest["next"]), (vec!["Ann".to_owned()], &json!(null)));
        let line = json!([{"sku": "COWL", "name": "Moor cowl", "quantity": "1", "unitCode": null}]);
        assert_eq!(rest["holds"][0]["lines"], line);
    }
}
