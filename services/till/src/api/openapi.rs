//! GET /api/openapi.json

use super::refined::refine;
use super::{
    balances, books, certificates, connections, custom_orders, customers, deposits, feeds, holds, items,
    limits, listings, orders, receipts, refund_lines, sales, shelf, shop, styles, takings,
};
use crate::app::App;
use crate::health;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use std::sync::OnceLock;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::{Modify, OpenApi};

/// The description of the whole API.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "Fleecefold",
        description = "The shop of a small fiber farm: items, stock, holds, sales, refunds, listings, feeds and books.\n\n\
            A program says who it is by a token, sent as Authorization: Bearer TOKEN; `fleecefold token add` makes one, with \
            a role that says what it may, and ending it works at once. A person's browser is known by its cookie. A \
            request whose Host is not this server (a loopback address, or its public one), or whose Origin is another \
            page's, is refused.\n\n\
            There are no JSON numbers in bodies, except the status of a problem: money, quantities, revisions and \
            numbers of receipts are decimal strings, identifiers are strings. Money is in the shop's currency. Moments \
            are RFC 3339. Unknown fields are refused by name. Lists go on at `cursor=next`.\n\n\
            Whatever writes needs an Idempotency-Key, a new random value for each new request, as an RFC 8941 string \
            or bare; the same key with the same body again gets the same answer, marked Answered-Before: true, \
            and changes nothing. A key belongs to its caller, method and path. Answers 2xx live as long as what they made; 409 already-sold, \
            gone and not-voidable, and 422 from the shop are kept for a day; others are decided anew.\n\n\
            Errors are problem documents (RFC 9457).",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0"),
    ),
    servers((url = "/", description = "this server")),
    modifiers(&Tokens),
    paths(
        read_description,
        shop::read_shop,
        items::get::list_items,
        items::post::add_items,
        items::by_code::get::read_item,
        items::by_code::patch::edit_item,
        items::by_code::stock::adjust_stock,
        items::by_code::removal::remove_piece,
        items::by_code::moves::list_moves,
        styles::get::list_styles,
        styles::post::add_styles,
        holds::get::list_holds,
        holds::post::hold,
        holds::delete::end_hold,
        sales::get::list_sales,
        sales::post::ring_up,
        sales::by_id::get::read_sale,
        sales::by_id::exchanges::exchange,
        sales::by_id::refunds::refund,
        sales::by_id::void::void_sale,
        receipts::read_receipt,
        refund_lines::decide_fate,
        customers::get::list_customers,
        customers::post::add_customer,
        customers::by_id::get::read_customer,
        customers::by_id::patch::edit_customer,
        customers::by_id::delete::erase_customer,
        customers::by_id::terms::set_terms,
        customers::by_id::export::export_customer,
        balances::pay,
        certificates::get::list_certificates,
        certificates::post::bring_in,
        certificates::by_id::get::read_certificate,
        custom_orders::get::list_custom_orders,
        custom_orders::post::take_custom_order,
        custom_orders::by_id::get::read_custom_order,
        custom_orders::by_id::cancel::cancel_custom_order,
        deposits::get::list_deposits,
        deposits::by_id::get::read_deposit,
        deposits::by_id::forfeit::forfeit_deposit,
        shelf::read_shelf,
        books::read_books,
        takings::read_takings,
        listings::list_listings,
        connections::list_connections,
        orders::list_orders,
        orders::status::set_status,
        orders::lines::closest::list_closest,
        orders::lines::substitute::substitute_line,
        orders::lines::refund::refund_line,
        orders::lines::fill::fill_line,
        orders::lines::release::release_line,
        limits::get::read_limits,
        limits::roles::set_limits,
        limits::tokens::set_token_limits,
        feeds::get::list_runs,
        feeds::orders::take_orders,
        health::live::is_live,
        health::ready::is_ready,
        health::metrics::read_metrics,
    )
)]
struct Description;

/// How a program authenticates.
struct Tokens;

impl Modify for Tokens {
    fn modify(&self, document: &mut utoipa::openapi::OpenApi) {
        let scheme = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).bearer_format("JWT").build();
        let components = document.components.get_or_insert_default();
        components.add_security_scheme("token", SecurityScheme::Http(scheme));
    }
}

/// The document, which is written once.
fn description(with_feed_adapter: bool) -> &'static str {
    static WITH: OnceLock<String> = OnceLock::new();
    static WITHOUT: OnceLock<String> = OnceLock::new();
    let kept = if with_feed_adapter { &WITH } else { &WITHOUT };
    kept.get_or_init(|| {
        let mut document = Description::openapi();
        if !with_feed_adapter {
            document.paths.paths.remove(feeds::orders::PATH);
        }
        // It consists of text and numbers, so writing it cannot fail.
        let mut document = serde_json::to_value(&document).unwrap_or_default();
        let mut routes = super::routes(with_feed_adapter);
        routes.extend(health::routes());
        refine(&mut document, &routes);
        document.to_string()
    })
}

/// This description.
#[utoipa::path(get, path = "/api/openapi.json", tag = "shop",
    responses((status = 200, description = "OpenAPI 3.1", body = Object)))]
pub(crate) async fn read_description(State(app): State<App>) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], description(app.feed_adapter.is_some())).into_response()
}

#[cfg(test)]
mod tests {
    use crate::edge::routes::routes;
    use crate::hooks;
    use crate::pages::assets;
    use crate::request::caller::Access;
    use crate::request::route::Route;
    use crate::testing::TestShop;
    use crate::traffic::guard::is_page;
    use serde_json::Value;
    use std::collections::BTreeSet;

    fn described(document: &Value) -> BTreeSet<(String, String)> {
        let paths = document["paths"].as_object().expect("paths");
        let of_path = |(path, operations): (&String, &Value)| {
            let operations = operations.as_object().expect("operations");
            operations.keys().map(|method| (method.to_uppercase(), path.clone())).collect::<Vec<_>>()
        };
        paths.iter().flat_map(of_path).collect()
    }

    #[tokio::test]
    async fn every_route_is_described_and_nothing_else() {
        for with_feed_adapter in [false, true] {
            let shop = TestShop::open().await;
            let shop = if with_feed_adapter { shop.with_feed_adapter() } else { shop };
            let reply = shop.get("/api/openapi.json").await;
            assert_eq!(reply.header("content-type"), Some("application/json"));
            let document = reply.json();
            assert_eq!(document["openapi"], "3.1.0");
            let routed: BTreeSet<(String, String)> = routes(with_feed_adapter)
                .iter()
                .filter(|route| !is_page(route.path) && ![assets::PATH, hooks::PATH].contains(&route.path))
                .map(|route| (route.method.to_string(), route.path.to_owned()))
                .collect();
            assert_eq!(described(&document), routed);
        }
    }

    #[tokio::test]
    async fn operations_are_told_apart_and_references_lead_somewhere() {
        let shop = TestShop::open().await.with_feed_adapter();
        let document = shop.get("/api/openapi.json").await.json();
        let mut ids = BTreeSet::new();
        let mut references = BTreeSet::new();
        walk(&document, &mut |name, value| {
            if name == "operationId" {
                assert!(ids.insert(value.to_string()), "{value} stands twice");
            }
            if name == "$ref" {
                references.insert(value.as_str().unwrap_or_default().to_owned());
            }
        });
        assert!(ids.len() > 20 && references.len() > 20, "{} {}", ids.len(), references.len());
        for reference in references {
            let pointer = reference.trim_start_matches('#');
            assert!(document.pointer(pointer).is_some(), "{reference} leads nowhere");
        }
    }

    #[tokio::test]
    async fn whatever_writes_asks_for_its_key_and_names_its_problems() {
        let shop = TestShop::open().await.with_feed_adapter();
        let document = shop.get("/api/openapi.json").await.json();
        let own = |path: &str| !is_page(path) && path != hooks::PATH;
        let writes = |r: &&Route| r.method != axum::http::Method::GET && own(r.path);
        for route in routes(true).iter().filter(writes) {
            let operation = &document["paths"][route.path][route.method.as_str().to_lowercase()];
            let parameters = operation["parameters"].as_array().expect("parameters");
            let key = parameters.iter().find(|p| p["name"] == "Idempotency-Key");
            assert!(key.is_some_and(|k| k["in"] == "header" && k["required"] == true), "{}", route.path);
            let problems = operation["responses"]["422"]["content"].as_object().expect("a problem");
            assert!(problems.contains_key("application/problem+json"), "{}", route.path);
        }
    }

    // OpenAPI 3.1.1, 4.8.17.1: a response has a description.
    #[tokio::test]
    async fn every_response_is_described() {
        let document = TestShop::open().await.with_feed_adapter().get("/api/openapi.json").await.json();
        let mut seen = 0;
        walk(&document, &mut |name, value| {
            if name == "responses" {
                for (status, response) in value.as_object().expect("responses") {
                    let words = response["description"].as_str().unwrap_or_default();
                    assert!(!words.is_empty(), "{status}: {response}");
                    seen += 1;
                }
            }
        });
        assert!(seen > 100, "{seen}");
    }

    #[tokio::test]
    async fn the_guard_and_the_tokens_are_told_of() {
        let document = TestShop::open().await.get("/api/openapi.json").await.json();
        let words = document["info"]["description"].as_str().expect("words");
        assert!(words.contains("loopback") && words.contains("Origin"), "{words}");
        let scheme = &document["components"]["securitySchemes"]["token"];
        assert_eq!((&scheme["scheme"], &scheme["type"]), (&"bearer".into(), &"http".into()));
        assert!(document.get("security").is_none(), "what asks for nobody says so by saying nothing");
    }

    #[tokio::test]
    async fn only_what_asks_who_calls_names_the_token() {
        let document = TestShop::open().await.with_feed_adapter().get("/api/openapi.json").await.json();
        let mut open = Vec::new();
        for route in routes(true) {
            let operation = &document["paths"][route.path][route.method.as_str().to_lowercase()];
            if operation.is_null() {
                continue;
            }
            let asks = route.access != Access::Public;
            let expected = if asks { serde_json::json!([{"token": []}]) } else { Value::Null };
            assert_eq!(operation["security"], expected, "{}", route.path);
            open.extend((!asks).then_some(route.path));
        }
        assert_eq!(open, ["/api/openapi.json", "/health/live", "/health/ready", "/metrics"]);
    }

    // A program that is written from this description must know what a body may contain.
    #[tokio::test]
    async fn every_text_of_a_body_says_its_form_and_every_list_its_length() {
        let document = TestShop::open().await.with_feed_adapter().get("/api/openapi.json").await.json();
        let schemas = document["components"]["schemas"].as_object().expect("schemas");
        let mut seen = 0;
        for (name, schema) in
            schemas.iter().filter(|(name, _)| name.ends_with("Text") || name.ends_with("Body"))
        {
            assert_eq!(schema["additionalProperties"], false, "{name} takes unknown fields");
            for (field, schema) in schema["properties"].as_object().into_iter().flatten() {
                let text = if schema["items"].is_object() { &schema["items"] } else { schema };
                let is_text =
                    text["type"] == "string" || text["type"] == serde_json::json!(["string", "null"]);
                let says =
                    ["pattern", "enum", "format", "maxLength"].iter().any(|key| text.get(key).is_some());
                assert!(!is_text || says, "{name}.{field} says nothing of its form: {schema}");
                let is_objects = schema["items"]["$ref"].is_string();
                assert!(!is_objects || schema["maxItems"].is_number(), "{name}.{field} has no end: {schema}");
                seen += 1;
            }
        }
        assert!(seen > 60, "{seen}");
    }

    #[tokio::test]
    async fn words_patterns_and_bounds_stand_in_the_description() {
        let document = TestShop::open().await.get("/api/openapi.json").await.json();
        let check = |pointer: &str, expected: Value| {
            assert_eq!(document.pointer(pointer), Some(&expected), "{pointer}");
        };
        let at = |schema: &str, field: &str, key: &str| {
            format!("/components/schemas/{schema}/properties/{field}/{key}")
        };
        check(&at("SaleText", "lines", "maxItems"), 200.into());
        check(&at("SaleText", "lines", "minItems"), 1.into());
        check(&at("SaleText", "channel", "maxLength"), 32.into());
        check(&at("WeightText", "unitCode", "enum"), serde_json::json!(["ONZ", "LBR", "GRM", "HGM", "KGM"]));
        check(
            &at("SaleLineText", "unitCode", "enum"),
            serde_json::json!(["ONZ", "LBR", "GRM", "HGM", "KGM", null]),
        );
        let limit = document["paths"]["/api/items"]["get"]["parameters"].as_array().expect("parameters");
        let limit = limit.iter().find(|p| p["name"] == "limit").expect("limit");
        let expected = serde_json::json!({"type": "integer", "minimum": 1, "maximum": 200, "default": 50});
        assert_eq!(limit["schema"], expected);
    }

    fn walk(value: &Value, see: &mut impl FnMut(&str, &Value)) {
        match value {
            Value::Object(members) => {
                for (name, member) in members {
                    see(name, member);
                    walk(member, see);
                }
            }
            Value::Array(values) => values.iter().for_each(|v| walk(v, see)),
            _ => {}
        }
    }
}
