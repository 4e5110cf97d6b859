//! GET /api/listings

use crate::api::shown::{self, TextShown};
use crate::app::App;
use crate::feed_adapter::FEED;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{PageQuery, QueryParam};
use crate::request::values::WeightText;
use axum::Json;
use axum::extract::State;
use domain::codes::Gtin;
use domain::ids::ItemId;
use ledger::online::ListingRow;
use serde::Serialize;
use utoipa::ToSchema;

/// Some of the listings.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ListingsShown {
    listings: Vec<ListingShown>,
    /// The cursor for the rest; null if there is none.
    next: Option<String>,
}

/// An item in the feed, and its state there.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct ListingShown {
    sku: String,
    gtin13: Option<String>,
    #[serde(flatten)]
    text: TextShown,
    weight: Option<WeightText>,
    price: String,
    price_currency: String,
    /// schema.org: `InStock`, `Reserved`, `SoldOut` or `Discontinued`.
    availability: &'static str,
    inventory_level: String,
    /// The unit of goods by weight.
    unit_code: Option<&'static str>,
    revision: String,
    /// `listed` or `ended`; null if it was never sent.
    state: Option<&'static str>,
    /// The last revision that was sent; null if none was.
    told_revision: Option<String>,
}

impl From<ListingRow> for ListingShown {
    fn from(row: ListingRow) -> Self {
        Self {
            gtin13: row.gtin.as_deref().and_then(|g| Gtin::parse(g).ok()).and_then(|g| g.gtin13()),
            sku: row.sku,
            text: row.text.into(),
            weight: row.weight.map(WeightText::from),
            price: row.price.to_string(),
            price_currency: row.price.currency().to_string(),
            availability: row.availability.code(),
            inventory_level: shown::quantity(row.free),
            unit_code: shown::unit_code(row.free.measure()),
            revision: row.revision.to_string(),
            state: row.state.map(domain::stock::ListingState::code),
            told_revision: row.state.map(|_| row.told_revision.to_string()),
        }
    }
}

/// What is or was offered online: items with free stock that may be listed, and listed items.
#[utoipa::path(get, path = "/api/listings", tag = "online", params(PageQuery),
    responses((status = 200, description = "Some of the listings.", body = ListingsShown), ReadProblems))]
pub(crate) async fn list_listings(
    State(app): State<App>,
    QueryParam(asked): QueryParam<PageQuery>,
) -> Result<Json<ListingsShown>, Problem> {
    let page = asked.read::<ItemId>()?;
    let feed = app.ledger.connection(FEED).await?;
    let mut rows = app.ledger.listings(feed, page.after).await?.rows()?;
    let next = page.cut(&mut rows, |row| row.item.to_string());
    Ok(Json(ListingsShown { listings: rows.into_iter().map(ListingShown::from).collect(), next }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::stock::ListingState;
    use ledger::online::{Delivered, RecordRun};
    use serde_json::json;

    #[tokio::test]
    async fn listings_say_what_was_told() {
        let shop = TestShop::open().await;
        let ledger = shop.ledger();
        let feed = ledger.connection(crate::feed_adapter::FEED).await.expect("the feed");
        let row = ledger.listings(feed, None).await.expect("listings").rows().expect("rows").remove(0);
        let content = Some(("hash".to_owned(), ListingState::Listed));
        let told = vec![Delivered { item: row.item, revision: row.revision, content }];
        ledger.execute(None, &RecordRun { connection: feed, told, run: None }).await.expect("recorded");
        shop.sell("COWL", "k1").await;
        let first = shop.get("/api/listings?limit=2").await.json();
        let skus = |reply: &serde_json::Value| -> Vec<String> {
            let rows = reply["listings"].as_array().expect("listings");
            rows.iter().filter_map(|r| r["sku"].as_str().map(str::to_owned)).collect()
        };
        assert_eq!(skus(&first), ["COWL", "HAT"]);
        let cowl = &first["listings"][0];
        assert_eq!(
            json!([
                cowl["state"],
                cowl["toldRevision"],
                cowl["revision"],
                cowl["availability"],
                cowl["weight"]
            ]),
            json!(["listed", "1", "2", "SoldOut", {"value": "6.35", "unitCode": "ONZ"}])
        );
        let hat = &first["listings"][1];
        assert_eq!(
            json!([
                hat["state"],
                hat["toldRevision"],
                hat["availability"],
                hat["price"],
                hat["priceCurrency"]
            ]),
            json!([null, null, "InStock", "42.00", "USD"])
        );
        let next = first["next"].as_str().expect("a cursor");
        let rest = shop.get(&format!("/api/listings?limit=2&cursor={next}")).await.json();
        assert_eq!(
            (skus(&rest), &rest["next"]),
            (vec!["SPINDLE".to_owned(), "ROVING".to_owned()], &json!(null))
        );
        assert_eq!(rest["listings"][1]["inventoryLevel"], "40.000");
        shop.get("/api/listings?cursor=x").await.expect_problem("invalid", 422);
    }
}
