//! GET /api/items/{code}

use crate::api::etag;
use crate::api::items::ItemShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use domain::codes::Code;

/// An item with its price and calculation, stock and listing. The `ETag` is the item's revision in quotes; the
/// listing's state and the calculation do not count.
#[utoipa::path(get, path = "/api/items/{code}", tag = "items",
    params(("code" = String, Path, description = "sku, in-store code or GTIN"),
        ("If-None-Match" = Option<String>, Header, description = "ETags that are known")),
    responses((status = 200, description = "The item.", body = ItemShown, headers(("ETag" = String))),
        (status = 304, description = "It is still that of a given tag."), ReadProblems))]
pub(crate) async fn read_item(
    State(app): State<App>,
    caller: Caller,
    PathParam(code): PathParam<Code>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let item = app.ledger.item(&code).await?;
    let tag = [(header::ETAG, etag::of_revision(item.revision))];
    if etag::is_known(&headers, item.revision)? {
        return Ok((StatusCode::NOT_MODIFIED, tag).into_response());
    }
    let offers = app.ledger.offers(&[item.id]).await?;
    let offers = offers.get(&item.id);
    Ok((tag, Json(ItemShown::of(item, offers, &caller))).into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::people::Role;
    use serde_json::json;

    // OWASP ASVS 5.0.0, 8.2.3 and 14.2.6.
    #[tokio::test]
    async fn what_it_cost_is_for_those_who_may_see_it() {
        let shop = TestShop::open().await;
        let check = |role: Role, expected: bool| {
            let shop = shop.as_role(role);
            async move {
                let alone = shop.get("/api/items/COWL").await.json();
                let listed = shop.get("/api/items?q=moor").await.json();
                let of_all = listed["items"].as_array().expect("items").clone();
                assert_eq!(of_all.len(), 2);
                for item in of_all.iter().chain([&alone]) {
                    assert_eq!(item.get("cost").is_some(), expected, "{role}: {item}");
                }
                // The rule behind the price is no secret: it is on the tag.
                assert!(alone["calculation"]["words"].is_string(), "{role}: {alone}");
                let sale = shop.sell("SPINDLE", &format!("{role}")).await;
                let sold = shop.get(&format!("/api/sales/{}", sale["id"].as_str().expect("an id"))).await;
                assert!(!sold.text().contains("cost") && !sold.text().contains("margin"), "{}", sold.text());
                let page = shop.get("/shelf/items/COWL").await;
                assert_eq!(page.text().contains("12.50"), expected, "{role}: {}", page.text());
            }
        };
        check(Role::Counter, false).await;
        check(Role::Maker, true).await;
        check(Role::Owner, true).await;
    }

    #[tokio::test]
    async fn an_item_shows_its_price_and_how_it_came_about() {
        let shop = TestShop::open().await;
        let reply = shop.get("/api/items/COWL").await;
        assert_eq!((reply.status, reply.header("etag")), (200, Some("\"1\"")));
        let item = reply.json();
        assert_eq!(
            json!([item["price"], item["priceCurrency"], item["pricedBy"], item["cost"], item["weight"]]),
            json!(["48.00", "USD", "rule", "12.50", {"value": "6.35", "unitCode": "ONZ"}])
        );
        let calculation = json!({"weight": {"value": "6.35", "unitCode": "ONZ"}, "rate": "7.5", "unitCode": "ONZ",
            "byWeight": "47.63", "extras": "0.00", "ending": "whole", "ended": "48.00", "minimum": null,
            "price": "48.00", "words": "6.35 oz × 7.50 an ounce = 47.63 → 48.00"});
        assert_eq!(item["calculation"], calculation);
        let stock = json!([item["onHand"], item["held"], item["free"], item["sold"], item["listing"]]);
        assert_eq!(stock, json!(["1", "0", "1", "0", null]));
        let code = item["inStoreCode"].as_str().expect("a code");
        assert_eq!(shop.get(&format!("/api/items/{code}")).await.json()["sku"], "COWL");
        let wrong = format!("{}{}", &code[..12], (code.as_bytes()[12] - b'0' + 1) % 10);
        let reply = shop.get(&format!("/api/items/{wrong}")).await;
        reply.expect_problem("wrong-digit", 422);
        assert_eq!(reply.json()["checkDigit"].as_str(), Some(&code[12..]));
        shop.get("/api/items/NOPE").await.expect_problem("unknown-code", 404);
        shop.get(&format!("/api/items/{}", "a".repeat(65))).await.expect_problem("invalid", 422);
        shop.get("/api/items/a%00b").await.expect_problem("invalid", 422);
        shop.get("/api/items/a%FFb").await.expect_problem("malformed", 400);
    }

    #[tokio::test]
    async fn a_known_tag_saves_the_body() {
        let shop = TestShop::open().await;
        // RFC 9110, 13.1.2: weak comparison.
        let check = |tags: &'static str, status: u16| {
            let shop = &shop;
            async move {
                let reply = shop.get_with("/api/items/COWL", &[("if-none-match", tags)]).await;
                assert_eq!(reply.status, status, "{tags}");
                assert_eq!(reply.text().is_empty(), status == 304, "{tags}");
                if status < 400 {
                    assert_eq!(reply.header("etag"), Some("\"1\""), "{tags}");
                }
            }
        };
        check("\"1\"", 304).await;
        check("W/\"1\"", 304).await;
        check("\"0\", \"1\"", 304).await;
        check("*", 304).await;
        check("\"2\"", 200).await;
        check("\"01\"", 200).await;
        check("1", 400).await;
        check("*, \"1\"", 400).await;
    }
}
