//! GET /api/items

use super::ItemShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::caller::Caller;
use crate::request::query::{Page, QueryParam};
use axum::Json;
use axum::extract::State;
use domain::ids::ItemId;
use domain::text;
use ledger::shelf::ItemView;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Which items.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ItemsQuery {
    /// Words that the name must contain, without case and accents.
    #[serde(default)]
    q: String,
    /// `next` from the previous answer; the first rows if left out.
    cursor: Option<String>,
    /// How many rows, 1 to 200; 50 if left out.
    limit: Option<String>,
}

/// Some of the items, latest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ItemsShown {
    items: Vec<ItemShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// All items, or those whose names contain certain words.
#[utoipa::path(get, path = "/api/items", tag = "items", params(ItemsQuery),
    responses((status = 200, description = "Some of the items.", body = ItemsShown), ReadProblems))]
pub(crate) async fn list_items(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<ItemsQuery>,
) -> Result<Json<ItemsShown>, Problem> {
    let page = Page::<ItemId>::read(asked.cursor.as_deref(), asked.limit.as_deref())?;
    let too_long = asked.q.chars().count() > text::MAX_NAME_CHARS;
    if too_long {
        return Err(Problem::invalid_parameter(
            "q",
            text::TextError::TooLong { limit: text::MAX_NAME_CHARS },
        ));
    }
    let mut items = app.ledger.items(page.after, &asked.q, page.and_one()).await?;
    let next = page.cut(&mut items, |item| item.id.to_string());
    let ids: Vec<ItemId> = items.iter().map(|item| item.id).collect();
    let offers = app.ledger.offers(&ids).await?;
    let shown = |item: ItemView| {
        let offers = offers.get(&item.id);
        ItemShown::of(item, offers, &caller)
    };
    Ok(Json(ItemsShown { items: items.into_iter().map(shown).collect(), next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    async fn skus(shop: &TestShop, query: &str) -> (Vec<String>, Option<String>) {
        let reply = shop.get(&format!("/api/items{query}")).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let page = reply.json();
        let items = page["items"].as_array().expect("items");
        let skus = items.iter().filter_map(|i| i["sku"].as_str().map(str::to_owned)).collect();
        (skus, page["next"].as_str().map(str::to_owned))
    }

    #[tokio::test]
    async fn items_stand_in_pages_and_are_found_by_words() {
        let shop = TestShop::open().await;
        let check = |query: &'static str, expected: &'static [&'static str]| {
            let shop = &shop;
            async move {
                assert_eq!(
                    skus(shop, query).await,
                    (expected.iter().map(ToString::to_string).collect(), None)
                );
            }
        };
        check("", &["ROVING", "SPINDLE", "HAT", "COWL"]).await;
        check("?q=MOOR", &["HAT", "COWL"]).await;
        check("?q=cowl%20moor", &["HAT", "COWL"]).await;
        check("?q=m%C3%B3or", &["HAT", "COWL"]).await;
        check("?q=alpaca", &[]).await;
        let (first, next) = skus(&shop, "?limit=3").await;
        assert_eq!(first, ["ROVING", "SPINDLE", "HAT"]);
        let next = next.expect("a cursor");
        assert_eq!(skus(&shop, &format!("?limit=3&cursor={next}")).await, (vec!["COWL".to_owned()], None));
    }

    #[tokio::test]
    async fn a_wrong_query_is_refused_by_name() {
        let shop = TestShop::open().await;
        let long = format!("q={}", "a".repeat(201));
        for (query, parameter) in [
            ("limit=0", "limit"),
            ("limit=201", "limit"),
            ("limit=ten", "limit"),
            ("cursor=abc", "cursor"),
            ("page=2", "query"),
            ("limit=1&limit=2", "query"),
            (long.as_str(), "q"),
        ] {
            let reply = shop.get(&format!("/api/items?{query}")).await;
            reply.expect_problem("invalid", 422);
            assert_eq!(reply.json()["errors"][0]["parameter"], parameter, "{query}");
        }
    }
}
