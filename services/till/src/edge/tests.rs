//! What holds for every request, over the router.

use super::*;
use crate::request::body::{BODY_LIMIT, BULK_LIMIT};
use crate::testing::{Reply, TestShop};
use axum::Router;
use axum::body::{Body, to_bytes};
use axum::middleware::from_fn_with_state;
use axum::routing::get;
use serde_json::json;
use std::sync::Arc;
use tower::ServiceExt;

const JSON: (&str, &str) = ("content-type", "application/json");
const KEY: (&str, &str) = ("idempotency-key", "k");

async fn ask(shop: &TestShop, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Reply {
    let method = Method::from_bytes(method.as_bytes()).expect("a method");
    shop.ask(method, path, headers, Body::from(body.to_owned())).await
}

#[tokio::test]
async fn every_answer_carries_the_headers() {
    let shop = TestShop::open().await;
    for path in
        ["/api/shop", "/api/items/NOPE", "/api/nowhere", "/health/live", "/metrics", "/api/openapi.json"]
    {
        let reply = shop.get(path).await;
        assert_eq!(reply.header("cache-control"), Some("no-store"), "{path}");
        assert_eq!(reply.header("x-content-type-options"), Some("nosniff"), "{path}");
        assert_eq!(reply.header("access-control-allow-origin"), None, "{path}");
    }
}

#[tokio::test]
async fn an_answer_carries_the_name_of_its_request() {
    let shop = TestShop::open().await;
    for path in ["/api/shop", "/api/nowhere", "/health/live"] {
        let reply = ask(&shop, "GET", path, &[("x-request-id", "till-3.42")], "").await;
        assert_eq!(reply.header("x-request-id"), Some("till-3.42"), "{path}");
        let (first, second) = (shop.get(path).await, shop.get(path).await);
        assert!(first.header("x-request-id").is_some(), "{path}");
        assert_ne!(first.header("x-request-id"), second.header("x-request-id"), "{path}");
    }
}

#[tokio::test]
async fn unknown_addresses_and_methods_are_problems() {
    let shop = TestShop::open().await;
    let check = |method: &'static str, path: &'static str, kind: &'static str, status: u16| {
        let shop = &shop;
        async move { ask(shop, method, path, &[KEY, JSON], "{}").await.expect_problem(kind, status) }
    };
    check("GET", "/api", "not-found", 404).await;
    check("GET", "/api/", "not-found", 404).await;
    check("GET", "/api/items/", "not-found", 404).await;
    check("GET", "/api/items/COWL/", "not-found", 404).await;
    check("GET", "/api/fleeces", "not-found", 404).await;
    check("POST", "/api/shop", "method-not-allowed", 405).await;
    check("PUT", "/api/items/COWL", "method-not-allowed", 405).await;
    check("DELETE", "/api/items/COWL", "method-not-allowed", 405).await;
    check("TRACE", "/api/shop", "method-not-allowed", 405).await;
    check("OPTIONS", "/api/sales", "method-not-allowed", 405).await;
    check("BREW", "/api/sales", "method-not-allowed", 405).await;
    let reply = ask(&shop, "PUT", "/api/items/COWL", &[], "").await;
    assert_eq!(reply.header("allow"), Some("GET,HEAD,PATCH"));
}

/// A path below each route of the list, for its method.
fn written(route: &crate::request::route::Route) -> String {
    route
        .path
        .replace("{code}", "COWL")
        .replace("{id}", "77")
        .replace("{line}", "77")
        .replace("{tender}", "77")
        .replace("{number}", "77")
        .replace("{role}", "counter")
}

#[tokio::test]
async fn whatever_writes_needs_a_key_and_json_and_room() {
    let shop = TestShop::open().await.with_feed_adapter();
    // A webhook proves who sent it by its signature, and has its own way to recognize repeats.
    let ours = |path: &str| !is_page(path) && path != crate::hooks::PATH;
    for route in crate::edge::routes::routes(true).iter().filter(|r| r.method != Method::GET && ours(r.path))
    {
        let (method, path) = (route.method.as_str(), written(route));
        let send = async |headers: &[(&str, &str)], body: &str| {
            let headers = [headers, &[("if-match", "*")]].concat();
            ask(&shop, method, &path, &headers, body).await
        };
        send(&[JSON], "{}").await.expect_problem("key-missing", 400);
        let long = "k".repeat(256);
        for key in ["\"open", "\"\"", "", long.as_str()] {
            send(&[JSON, ("idempotency-key", key)], "{}").await.expect_problem("malformed", 400);
        }
        send(&[JSON, KEY, KEY], "{}").await.expect_problem("malformed", 400);
        if method == "DELETE" {
            send(&[KEY], "{}").await.expect_problem("malformed", 400);
            continue;
        }
        for kind in [
            "text/plain",
            "application/x-www-form-urlencoded",
            "multipart/form-data",
            "application/jsonx",
            "",
        ] {
            send(&[KEY, ("content-type", kind)], "{}").await.expect_problem("unsupported-media-type", 415);
        }
        send(&[KEY], "{}").await.expect_problem("unsupported-media-type", 415);
        if path == crate::api::feeds::orders::PATH {
            continue;
        }
        for body in ["", "{", "\u{feff}{}", "{\"a\u{1}\": 1}", "{'a': 1}"] {
            send(&[JSON, KEY], body).await.expect_problem("malformed", 400);
        }
        let unknown =
            send(&[("content-type", "application/json; charset=utf-8"), KEY], r#"{"a/b": 1}"#).await;
        unknown.expect_fault("#/a~1b");
    }
}

#[tokio::test]
async fn a_body_over_the_limit_is_refused() {
    let shop = TestShop::open().await.with_feed_adapter();
    // Space after a document belongs to it.
    let padded = |size: usize| format!("{}{}", "{}", " ".repeat(size - 2));
    let check = |path: &'static str, size: usize, kind: &'static str, status: u16| {
        let (shop, body) = (&shop, padded(size));
        async move { ask(shop, "POST", path, &[JSON, KEY], &body).await.expect_problem(kind, status) }
    };
    check("/api/sales", BODY_LIMIT, "invalid", 422).await;
    check("/api/sales", BODY_LIMIT + 1, "too-large", 413).await;
    check("/api/holds", BODY_LIMIT + 1, "too-large", 413).await;
    check("/api/items", BODY_LIMIT + 1, "invalid", 422).await;
    check("/api/items", BULK_LIMIT + 1, "too-large", 413).await;
    check("/api/feeds/orders", BULK_LIMIT + 1, "too-large", 413).await;
    assert_eq!((BODY_LIMIT, BULK_LIMIT), (262_144, 2_097_152));
}

#[tokio::test]
async fn a_body_without_a_length_is_counted_while_it_comes() {
    let shop = TestShop::open().await;
    let chunks = (0..5).map(|_| Ok::<_, std::io::Error>(vec![b' '; 64 * 1024]));
    let body = Body::from_stream(Chunks(chunks));
    shop.ask(Method::POST, "/api/sales", &[JSON, KEY], body).await.expect_problem("too-large", 413);
    let broken: Vec<Result<Vec<u8>, _>> = vec![Ok(b"{".to_vec()), Err(std::io::Error::other("secret"))];
    let body = Body::from_stream(Chunks(broken.into_iter()));
    let reply = shop.ask(Method::POST, "/api/sales", &[JSON, KEY], body).await;
    reply.expect_problem("malformed", 400);
    assert!(!reply.text().contains("secret"));
}

/// A body that comes in pieces.
struct Chunks<I>(I);

impl<I: Iterator + Unpin> futures_core::Stream for Chunks<I> {
    type Item = I::Item;

    fn poll_next(
        mut self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
    ) -> Poll<Option<Self::Item>> {
        Poll::Ready(self.0.next())
    }
}

#[tokio::test]
async fn foreign_requests_are_refused_everywhere() {
    let shop = TestShop::open().await;
    for path in ["/api/shop", "/metrics", "/health/live", "/api/nowhere"] {
        for header in
            [("origin", "http://evil.example"), ("origin", "null"), ("sec-fetch-site", "cross-site")]
        {
            shop.get_with(path, &[header]).await.expect_problem("foreign-origin", 403);
        }
        // A second Host next to the first.
        shop.get_with(path, &[("host", "evil.example")]).await.expect_problem("foreign-origin", 403);
        assert_ne!(shop.get_with(path, &[("origin", "http://localhost")]).await.status, 403);
    }
    let sale = TestShop::cash_sale("COWL");
    let foreign = [KEY, ("origin", "http://evil.example")];
    shop.post_with("/api/sales", &foreign, sale).await.expect_problem("foreign-origin", 403);
    assert_eq!(shop.get("/api/sales").await.json()["sales"], json!([]));
}

#[tokio::test]
async fn one_request_more_than_there_is_room_for_is_told_to_come_again() {
    let shop = TestShop::open().await;
    let mut shop = shop;
    shop.app.limits.turn = Duration::from_millis(20);
    let all = shop.app.gates.of(CallerKind::Program).close().await;
    let reply = shop.get("/api/shop").await;
    reply.expect_problem("busy", 503);
    assert_eq!(reply.header("retry-after"), Some("1"));
    assert_eq!(shop.get("/health/live").await.status, 200);
    // Signing in uses another gate, and writing uses the same one as reading.
    assert_eq!(shop.as_nobody().get("/sign-in").await.status, 303);
    shop.post("/api/sales", "k1", TestShop::cash_sale("COWL")).await.expect_problem("busy", 503);
    drop(all);
    assert_eq!(shop.post("/api/sales", "k1", TestShop::cash_sale("COWL")).await.status, 201);
    assert_eq!(shop.get("/api/shop").await.status, 200);
}

/// The layer around a handler of our own.
async fn around<H, T>(shop: &TestShop, handler: H) -> Reply
where
    H: axum::handler::Handler<T, App>,
    T: 'static,
{
    let state = EdgeState { app: shop.app.clone(), policies: Arc::default() };
    let router = Router::new()
        .route("/api/own", get(handler))
        .layer(from_fn_with_state(state, edge))
        .with_state(shop.app.clone());
    let request = axum::http::Request::builder().uri("/api/own").header("host", "localhost");
    let request = request.extension(crate::testing::here());
    let response =
        router.oneshot(request.body(Body::empty()).expect("a request")).await.expect("never fails");
    let (parts, body) = response.into_parts();
    Reply::of(parts, to_bytes(body, usize::MAX).await.expect("a body").to_vec())
}

#[tokio::test]
async fn a_panic_is_a_problem_that_tells_nothing() {
    let shop = TestShop::open().await;
    async fn formatted() -> &'static str {
        let path = "/home/ann/secret.db";
        panic!("cannot read {path}");
    }
    async fn plain() -> &'static str {
        panic!("secret");
    }
    for reply in [around(&shop, formatted).await, around(&shop, plain).await] {
        reply.expect_problem("trouble", 500);
        assert!(!reply.text().contains("secret"), "{}", reply.text());
        assert_eq!(reply.header("cache-control"), Some("no-store"));
    }
    assert_eq!(shop.get("/api/shop").await.status, 200);
    assert!(shop.app.meters.render().contains("fleecefold_problems_total{type=\"trouble\"} 2"));
}

#[tokio::test]
async fn what_takes_too_long_is_given_up() {
    let shop = TestShop::open().await;
    async fn slow() -> &'static str {
        tokio::time::sleep(REQUEST_TIME + Duration::from_secs(1)).await;
        "done"
    }
    async fn nearly() -> &'static str {
        tokio::time::sleep(REQUEST_TIME.saturating_sub(Duration::from_secs(1))).await;
        "done"
    }
    tokio::time::pause();
    around(&shop, slow).await.expect_problem("busy", 503);
    assert_eq!(around(&shop, nearly).await.text(), "done");
}

#[tokio::test]
async fn a_database_that_is_gone_tells_nothing_and_books_nothing() {
    let shop = TestShop::open().await;
    shop.ledger().close().await;
    for reply in [
        shop.get("/api/items/COWL").await,
        shop.get("/api/books").await,
        shop.post("/api/sales", "k1", TestShop::cash_sale("COWL")).await,
    ] {
        reply.expect_problem("away", 503);
        assert_eq!(reply.header("retry-after"), Some("1"));
        let text = reply.text().to_lowercase();
        assert!(!text.contains("sql") && !text.contains("pool") && !text.contains(".db"), "{text}");
    }
}
