//! Who gets in where: every route and every role, invalid tokens, changes with a cookie.

use super::*;
use crate::edge::routes::routes;
use crate::pages::sign_in::tests::{PASSWORD, person};
use crate::request::route::Route;
use crate::testing::TestShop;
use crate::testing::browser::Browser;
use axum::body::Body;
use axum::http::Request as HttpRequest;
use domain::people::{Permission, Role};
use ledger::people::{CONFIRMED_FOR_MS, EndToken};
use serde_json::json;

fn below(route: &Route) -> String {
    let part = |part: &str| if part.starts_with('{') { "77".to_owned() } else { part.to_owned() };
    route.path.split('/').map(part).collect::<Vec<_>>().join("/")
}

/// Sends only who it is: other problems with the request are found later.
async fn asked(shop: &TestShop, route: &Route) -> (u16, String) {
    let reply = shop.ask(route.method.clone(), &below(route), &[], Body::empty()).await;
    (reply.status, reply.header("location").unwrap_or_default().to_owned())
}

// OWASP ASVS 5.0.0, 8.2.1.
#[tokio::test]
async fn every_route_lets_in_whom_the_table_lets_in_and_nobody_else() {
    let shop = TestShop::open().await.with_feed_adapter();
    let all = routes(true);
    assert!(all.len() > 50, "{}", all.len());
    for route in &all {
        let what = format!("{} {}", route.method, route.path);
        let roles = if route.access == Access::Public { &[][..] } else { &Role::ALL[..] };
        for role in roles.iter().copied() {
            let may = match route.access {
                Access::Public | Access::Authenticated => true,
                Access::Password | Access::Confirmed => false,
                Access::With(permission) => role.may(permission) && permission.by_program(),
            };
            let (status, _) = asked(&shop.as_role(role), route).await;
            assert_eq!(![401, 403].contains(&status), may, "{what} as {role}: {status}");
        }
        let (status, location) = asked(&shop.as_nobody(), route).await;
        if route.access == Access::Public {
            assert!(status != 401, "{what} as nobody: {status}");
        } else if is_page(route.path) {
            assert_eq!((status, location.as_str()), (303, "/setup"), "{what} as nobody");
        } else {
            assert_eq!(status, 401, "{what} as nobody");
        }
    }
}

/// The browser of an owner who signed in with a password, and of one with a PIN.
async fn owners(shop: &TestShop) -> [Browser; 2] {
    let maud = person(shop, "Maud", Role::Owner, Some("407138")).await.to_string();
    let mut by_password = Browser::new(shop);
    by_password.sign_in("Maud", PASSWORD).await;
    let mut by_pin = Browser::new(shop);
    by_pin.sign_in("Maud", PASSWORD).await;
    by_pin.get("/settings/people").await;
    by_pin.post("/settings/devices", &[("name", "Tablet")]).await;
    by_pin.get("/sign-in").await;
    let entered = by_pin.post("/sign-in", &[("person", &maud), ("pin", "407138")]).await;
    assert_eq!(entered.status, 303, "{}", entered.text());
    [by_password, by_pin]
}

// OWASP ASVS 5.0.0, 7.5.1 and 8.2.1: what a session may do depends on how and how long ago it was opened.
#[tokio::test]
async fn every_route_asks_how_and_when_its_person_signed_in() {
    let shop = TestShop::open().await.with_feed_adapter();
    let [mut by_password, mut by_pin] = owners(&shop).await;
    by_pin.get("/counter").await;
    shop.advance_millis(CONFIRMED_FOR_MS);
    by_password.get("/today").await;
    let own = [("origin", "http://localhost"), ("sec-fetch-site", "same-origin")];
    for route in routes(true).iter().filter(|r| r.access != Access::Public && r.path != "/sign-out") {
        let what = format!("{} {}", route.method, route.path);
        if route.path.starts_with("/account/sessions") || route.path.ends_with("/events") {
            continue;
        }
        let ask = async |browser: &mut Browser| {
            let token = browser.token().to_owned();
            let body = form_urlencoded::Serializer::new(String::new()).append_pair("_seal", &token).finish();
            let headers = [&own[..], &[("content-type", "application/x-www-form-urlencoded")]].concat();
            let body = (route.method != Method::GET).then_some(body);
            browser.ask(route.method.as_str(), &below(route), body, &headers).await
        };
        let may = match route.access {
            Access::Public | Access::Authenticated => true,
            Access::Password | Access::Confirmed => false,
            Access::With(permission) => permission.by_pin(),
        };
        let reply = ask(&mut by_pin).await;
        assert_eq!(
            ![303, 401, 403].contains(&reply.status) || reply.status == 303 && may,
            may,
            "{what} by PIN"
        );
        let asks = route.access.needs_confirmation() && route.method != Method::GET;
        let reply = ask(&mut by_password).await;
        assert_eq!(reply.status == 403, asks, "{what} by password, not fresh: {}", reply.status);
        assert!(!asks || !is_page(route.path) || reply.text().contains("Confirm it"), "{what}");
    }
}

/// What is open to everybody is short enough to read.
#[tokio::test]
async fn what_asks_for_nobody_stands_here() {
    let open: Vec<String> = routes(true)
        .iter()
        .filter(|route| route.access == Access::Public)
        .map(|route| format!("{} {}", route.method, route.path))
        .collect();
    let expected = [
        "GET /api/openapi.json",
        "GET /health/live",
        "GET /health/ready",
        "GET /metrics",
        "POST /hooks/{connection}",
        "GET /",
        "GET /assets/{hash}/{name}",
        "GET /sign-in",
        "POST /sign-in",
        "GET /sign-in/code",
        "POST /sign-in/code",
        "GET /setup",
        "POST /setup",
    ];
    assert_eq!(open, expected);
}

#[tokio::test]
async fn who_may_not_is_told_what_they_may_not() {
    let shop = TestShop::open().await;
    let reply = shop.as_role(Role::Counter).get("/api/books").await;
    reply.expect_problem("not-allowed", 403);
    let words = reply.json()["detail"].to_string();
    assert!(words.contains("counter clerk"), "{words}");
    let page = shop.as_role(Role::Counter).get("/settings/people").await;
    assert_eq!(page.status, 403);
    assert!(
        page.text().contains("change people and access") && page.text().contains("/counter"),
        "{}",
        page.text()
    );
    assert!(!page.text().contains("href=\"/books\""), "the links are those of the role");
    assert!(Role::Counter.may(Permission::Sell));
}

// RFC 6750, 3.1; RFC 8725 for the tokens themselves is in `tokens`.
#[tokio::test]
async fn a_token_that_is_none_is_refused_at_every_turn() {
    let shop = TestShop::open().await;
    let good = shop.bearer();
    let token = good.trim_start_matches("Bearer ").to_owned();
    let check = |header: String, status: u16| {
        let shop = shop.as_nobody();
        async move {
            let reply = shop.get_with("/api/shop", &[("authorization", &header)]).await;
            assert_eq!(reply.status, status, "{header}: {}", reply.text());
            if status == 401 {
                reply.expect_problem("sign-in-needed", 401);
                assert!(reply.header("www-authenticate").is_some_and(|h| h.starts_with("Bearer")));
            }
        }
    };
    check(good.clone(), 200).await;
    check(format!("bearer {token}"), 200).await;
    check(token.clone(), 401).await;
    check(format!("Basic {token}"), 401).await;
    check("Bearer ".to_owned(), 401).await;
    check(format!("{good}x"), 401).await;
    check(good[..good.len() - 2].to_owned(), 401).await;
    let end = EndToken { name: "api".to_owned(), who: String::new() };
    shop.ledger().execute(None, &end).await.expect("ended");
    check(good, 401).await;
    let twice = HttpRequest::builder().uri("/api/shop").header("host", "localhost");
    let twice = twice.header("authorization", "a").header("authorization", "b");
    shop.as_nobody()
        .send(twice.body(Body::empty()).expect("a request"))
        .await
        .expect_problem("sign-in-needed", 401);
}

#[tokio::test]
async fn a_token_is_over_when_its_time_is() {
    let shop = TestShop::open().await;
    assert_eq!(shop.get("/api/shop").await.status, 200);
    shop.advance_millis(3650 * 24 * 60 * 60 * 1000);
    let reply = shop.get("/api/shop").await;
    reply.expect_problem("sign-in-needed", 401);
    assert!(reply.text().contains("has expired"), "{}", reply.text());
}

#[tokio::test]
async fn what_a_token_does_stands_under_its_name() {
    let shop = TestShop::open().await.as_role(Role::Maker);
    let count = json!({"less": "1", "why": "damage", "note": "moths"});
    let reply = shop.post("/api/items/SPINDLE/stock", "k1", count).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let rows = shop.ledger().activity(None, 1).await.expect("the list");
    assert_eq!((rows[0].who.as_str(), rows[0].act.code()), ("maker", "stock"));
    let same_key =
        shop.as_role(Role::Owner).post("/api/items/SPINDLE/stock", "k1", json!({"more": "1"})).await;
    assert_eq!(same_key.status, 200, "a key belongs to its caller: {}", same_key.text());
}

// OWASP Cross-Site Request Forgery cheat sheet: Fetch Metadata, and Origin where it is missing.
#[tokio::test]
async fn a_change_by_cookie_comes_from_a_page_of_ours() {
    let shop = TestShop::open().await;
    let mut browser = Browser::new(&shop);
    crate::pages::sign_in::tests::owner(&shop).await;
    assert_eq!(browser.sign_in("Maud", crate::pages::sign_in::tests::PASSWORD).await.status, 303);
    let sale = TestShop::cash_sale("SPINDLE").to_string();
    let check = |headers: Vec<(&'static str, &'static str)>, status: u16| {
        let (mut browser, sale) = (browser.clone(), sale.clone());
        async move {
            let key = format!("{headers:?}").replace(|c: char| !c.is_ascii_alphanumeric(), "");
            let own = [("content-type", "application/json"), ("idempotency-key", key.as_str())];
            let headers = [headers.as_slice(), &own].concat();
            let reply = browser.ask("POST", "/api/sales", Some(sale), &headers).await;
            assert_eq!(reply.status, status, "{headers:?}: {}", reply.text());
        }
    };
    check(vec![], 403).await;
    check(vec![("sec-fetch-site", "same-origin")], 201).await;
    check(vec![("origin", "http://localhost")], 201).await;
    check(vec![("sec-fetch-site", "cross-site")], 403).await;
    check(vec![("sec-fetch-site", "same-site")], 403).await;
    check(vec![("origin", "null")], 403).await;
    check(vec![("origin", "http://evil.example"), ("sec-fetch-site", "same-origin")], 403).await;
    assert_eq!(browser.get("/api/shop").await.status, 200);
}

#[tokio::test]
async fn what_is_of_this_machine_is_not_seen_from_afar() {
    let shop = TestShop::open().await;
    let shop = shop.at_site("https://shop.example");
    // A proxy that nobody named may be on this machine; one that is named elsewhere is not.
    assert_eq!(Browser::new(&shop).get("/metrics").await.status, 404);
    let shop = shop.behind_proxy("10.0.0.1");
    let mut here = Browser::new(&shop);
    assert_eq!(here.get("/metrics").await.status, 200);
    here.headers = vec![("x-forwarded-for", "192.0.2.1")];
    assert_eq!((here.get("/metrics").await.status, here.get("/setup").await.status), (403, 403));
    here.headers.clear();
    let mut afar = Browser::at_site(&shop, "shop.example");
    let reply = afar.get("/health/live").await;
    assert_eq!((reply.status, reply.header("strict-transport-security")), (200, Some("max-age=31536000")));
    assert_eq!(here.get("/health/live").await.header("strict-transport-security"), None);
    assert_eq!(afar.get("/metrics").await.status, 404);
    let begin = afar.get("/setup").await;
    assert!(begin.status == 403 && begin.text().contains("on its own computer"), "{}", begin.text());
    assert_eq!(here.get("/setup").await.status, 200);
}

#[tokio::test]
async fn an_owners_token_sees_the_counters_from_anywhere() {
    let shop = TestShop::open().await.at_site("https://shop.example").behind_proxy("127.0.0.1");
    let check = |shop: TestShop, status: u16| async move {
        assert_eq!(shop.get("/metrics").await.status, status);
    };
    check(shop.as_role(Role::Owner), 200).await;
    check(shop.as_role(Role::Counter), 404).await;
    check(shop.as_nobody(), 404).await;
    let wrong = shop.as_nobody().get_with("/metrics", &[("authorization", "Bearer x")]).await;
    assert_eq!(wrong.status, 401);
}
