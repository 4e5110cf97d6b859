//! The pretend shop from outside, over HTTP on the loopback.

use pretend::{Fault, Faults, HookSecret, HooksTo, NotBought, Now, Options, Running, Shop};
use reqwest::{Client, ClientBuilder, Method, Response};
use rust_decimal::Decimal;
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

/// 2026-06-15T12:00:00Z.
const START: i64 = 1_781_524_800_000;

fn options() -> Options {
    Options { listen: "127.0.0.1:0".parse().unwrap(), clock: Now::by(|| START), ..Options::default() }
}

async fn open(options: Options) -> Running {
    Shop::start(options).await.expect("the shop opens")
}

fn listing(sku: &str, revision: i64, had: i64) -> Value {
    json!({"sku": sku, "name": format!("Beanie {sku}"), "revision": revision,
        "offers": {"price": "28.00", "priceCurrency": "USD", "availability": "https://schema.org/InStock",
            "inventoryLevel": {"value": had.to_string(), "unitCode": "C62"}}})
}

/// Clients elsewhere in this build use TLS, so a provider must be chosen.
fn client() -> ClientBuilder {
    // It may have been chosen before.
    let _ = rustls::crypto::ring::default_provider().install_default();
    Client::builder().no_proxy()
}

async fn say(shop: &Running, method: Method, path: &str, head: &[(&str, &str)], body: &Value) -> Response {
    let client = client().build().unwrap();
    let mut request = client.request(method, format!("{}{path}", shop.base())).body(body.to_string());
    for (name, value) in head {
        request = request.header(*name, *value);
    }
    request.send().await.expect("an answer")
}

async fn put(shop: &Running, sku: &str, revision: i64, had: i64) -> u16 {
    let path = format!("/intake/{sku}");
    say(shop, Method::PUT, &path, &[], &listing(sku, revision, had)).await.status().as_u16()
}

async fn get(shop: &Running, path: &str) -> Response {
    say(shop, Method::GET, path, &[], &Value::Null).await
}

fn one(sku: &str) -> Vec<(String, Decimal)> {
    vec![(sku.to_owned(), Decimal::ONE)]
}

#[tokio::test]
async fn the_intake_answers_as_it_says() {
    let shop = open(options()).await;
    type Head<'a> = &'a [(&'a str, &'a str)];
    let none: Head = &[];
    let rows: [(Method, &str, Head, Value, u16); 13] = [
        (Method::PUT, "/intake/A", none, listing("A", 3, 2), 201),
        (Method::PUT, "/intake/A", none, listing("A", 2, 9), 412),
        (Method::PUT, "/intake/A", &[("if-match", "\"no\"")], listing("A", 4, 9), 412),
        (Method::PUT, "/intake/A", none, listing("B", 4, 9), 400),
        (Method::PUT, "/intake/A", none, json!({"revision": "four"}), 400),
        (Method::PUT, "/intake/A", none, json!({"revision": 4}), 422),
        (Method::PUT, "/intake/C", none, json!({"availability": "InStock", "revision": 4}), 404),
        (Method::POST, "/intake", &[("idempotency-key", "k")], listing("B", 1, 1), 201),
        (Method::POST, "/intake", &[("idempotency-key", "k")], listing("B", 1, 1), 201),
        (Method::POST, "/intake", &[("idempotency-key", "k")], listing("B", 2, 1), 422),
        (Method::DELETE, "/intake/B?revision=0", none, Value::Null, 412),
        (Method::DELETE, "/intake/B?revision=5", none, Value::Null, 204),
        (Method::DELETE, "/intake/B?revision=5", none, Value::Null, 404),
    ];
    for (method, path, head, body, expected) in rows {
        let answer = say(&shop, method.clone(), path, head, &body).await;
        assert_eq!(answer.status().as_u16(), expected, "{method} {path} {head:?} {body}");
    }
    assert_eq!(shop.availability("A"), Some(Decimal::TWO));
    assert_eq!(shop.availability("B"), Some(Decimal::ZERO));
    assert_eq!(shop.availability("C"), None);
    let counts = shop.counts();
    assert_eq!((counts.taken, counts.stale, counts.replayed), (3, 3, 1));
}

#[tokio::test]
async fn a_batch_is_taken_whole_or_not_at_all() {
    let shop = open(options()).await;
    let say = async |listings: Vec<Value>| {
        let body = json!({ "listings": listings });
        say(&shop, Method::POST, "/intake/batch", &[], &body).await.status().as_u16()
    };
    assert_eq!(say(vec![listing("A", 3, 2), listing("B", 1, 1)]).await, 200);
    assert_eq!(say(vec![listing("B", 2, 0), listing("A", 2, 9)]).await, 412);
    assert_eq!(shop.availability("B"), Some(Decimal::ONE), "nothing of a refused batch is taken");
    assert_eq!(say((0..51).map(|n| listing(&format!("N{n}"), 1, 1)).collect()).await, 413);
    assert_eq!(shop.goods().len(), 2);
}

#[tokio::test]
async fn a_secret_keeps_others_out_of_every_address() {
    let shop = open(Options { secret: Some("hush".to_owned()), ..options() }).await;
    for (method, path) in [
        (Method::PUT, "/intake/A"),
        (Method::POST, "/intake"),
        (Method::POST, "/intake/batch"),
        (Method::DELETE, "/intake/A"),
        (Method::GET, "/intake/A"),
        (Method::GET, "/intake"),
        (Method::GET, "/bought"),
    ] {
        for head in [&[][..], &[("authorization", "Bearer hu")], &[("authorization", "hush")]] {
            let answer = say(&shop, method.clone(), path, head, &listing("A", 1, 1)).await;
            assert_eq!(answer.status().as_u16(), 401, "{method} {path} {head:?}");
        }
    }
    let head = [("authorization", "Bearer hush")];
    let answer = say(&shop, Method::PUT, "/intake/A", &head, &listing("A", 1, 1)).await;
    assert_eq!(answer.status().as_u16(), 201);
}

#[tokio::test]
async fn listings_come_page_by_page() {
    let shop = open(options()).await;
    for number in 0..250 {
        shop.put_own(&format!("N{number:03}"), "Card", Decimal::TEN, Decimal::ONE);
    }
    let mut seen = Vec::new();
    for (number, count, more) in [(1, 100, true), (2, 100, true), (3, 50, false), (4, 0, false)] {
        let answer = get(&shop, &format!("/intake?page={number}")).await;
        assert_eq!(answer.headers().contains_key("link"), more, "page {number}");
        let page: Value = json_of(answer).await;
        let listed = page["listings"].as_array().unwrap().clone();
        assert_eq!((listed.len(), &page["pages"]), (count, &json!(3)), "page {number}");
        seen.extend(listed.into_iter().map(|one| one["sku"].to_string()));
    }
    seen.dedup();
    assert_eq!(seen.len(), 250);
}

/// Reads the list of orders to its end by its links; returns the numbers as they came.
async fn by_links(shop: &Running, first: &str) -> Vec<String> {
    let (mut numbers, mut next) = (Vec::new(), Some(first.to_owned()));
    while let Some(path) = next {
        let answer = get(shop, &path).await;
        let link = answer.headers().get("link").map(|link| link.to_str().unwrap().to_owned());
        next = link.map(|link| link.trim_start_matches('<').split_once('>').unwrap().0.to_owned());
        numbers.extend(numbers_of(&json_of(answer).await));
    }
    numbers
}

async fn json_of(answer: Response) -> Value {
    serde_json::from_str(&answer.text().await.expect("a body")).expect("JSON")
}

fn numbers_of(page: &Value) -> Vec<String> {
    page["bought"].as_array().unwrap().iter().map(|o| o["ref"].as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn no_order_slips_between_two_pages() {
    let clock = Arc::new(AtomicI64::new(START));
    let by = Arc::clone(&clock);
    let shop = open(Options { clock: Now::by(move || by.load(Ordering::SeqCst)), ..options() }).await;
    shop.put_own("A", "Card", Decimal::TEN, Decimal::from(1_000));
    for _ in 0..120 {
        shop.buy(&one("A"), "Ann", true).unwrap();
    }
    clock.fetch_add(3_600_000, Ordering::SeqCst);
    for _ in 0..20 {
        shop.buy(&one("A"), "Bea", true).unwrap();
    }
    let all: Vec<String> = (640..780).map(|n| n.to_string()).collect();
    assert_eq!(by_links(&shop, "/bought").await, all);
    assert_eq!(by_links(&shop, "/bought?since=2026-06-15T12:00:00Z").await, all);
    assert_eq!(by_links(&shop, "/bought?since=2026-06-15T13:00:00%2B00:00").await, all[120..]);
    assert_eq!(by_links(&shop, "/bought?since=2026-06-15T13:00:00.001Z").await, Vec::<String>::new());
    assert_eq!(get(&shop, "/bought?since=yesterday").await.status().as_u16(), 400);

    let (mut numbers, mut cursor) = (Vec::new(), String::new());
    loop {
        let page: Value = json_of(get(&shop, &format!("/bought?after={cursor}")).await).await;
        numbers.extend(numbers_of(&page));
        let Some(next) = page["next"].as_str() else { break };
        next.clone_into(&mut cursor);
    }
    assert_eq!((numbers, cursor.as_str()), (all, "140"));
    // What was changed comes again, after what was seen.
    shop.cancel("642").unwrap();
    let page: Value = json_of(get(&shop, "/bought?after=140").await).await;
    assert_eq!(numbers_of(&page), ["642"]);
    assert_eq!(page["bought"][0]["state"], "OrderCancelled");
}

#[tokio::test]
async fn an_unchanged_list_is_not_sent_again() {
    let shop = open(options()).await;
    shop.put_own("A", "Card", Decimal::TEN, Decimal::TEN);
    let tag = get(&shop, "/bought").await.headers()["etag"].to_str().unwrap().to_owned();
    let again = async || {
        let answer = say(&shop, Method::GET, "/bought", &[("if-none-match", &tag)], &Value::Null).await;
        answer.status().as_u16()
    };
    assert_eq!(again().await, 304);
    shop.buy(&one("A"), "Ann", true).unwrap();
    assert_eq!(again().await, 200);
}

#[tokio::test]
async fn an_order_goes_its_way() {
    let shop = open(options()).await;
    put(&shop, "A", 1, 2).await;
    put(&shop, "B", 1, 1).await;
    let both = [("A".to_owned(), Decimal::ONE), ("B".to_owned(), Decimal::ONE)];
    let (first, second) = (shop.buy(&both, "Ann", false).unwrap(), shop.buy(&one("A"), "Bea", true).unwrap());
    let none_left = NotBought::NotEnough { sku: "A".to_owned(), have: Decimal::ZERO };
    assert_eq!(shop.buy(&both, "Cy", true), Err(none_left));
    assert_eq!(shop.buy(&[], "Cy", true), Err(NotBought::Nothing));

    shop.pay(&first).unwrap();
    assert_eq!(shop.pay(&first), Err(NotBought::TooLate { reference: first.clone() }));
    shop.cancel_line(&first, "B").unwrap();
    assert_eq!(shop.availability("B"), Some(Decimal::ONE));
    assert_eq!(shop.cancel_line(&first, "A"), Err(NotBought::TooLate { reference: first.clone() }));
    shop.refund(&second, "A", Decimal::ONE).unwrap();
    let twice = shop.refund(&second, "A", Decimal::ONE);
    assert_eq!(twice, Err(NotBought::MoreThanBought { reference: second.clone(), sku: "A".to_owned() }));
    assert_eq!(shop.availability("A"), Some(Decimal::ZERO), "what was given back is not on sale again");
    shop.cancel(&first).unwrap();
    assert_eq!(shop.availability("A"), Some(Decimal::ONE));
    let none = NotBought::NoSuchOrder { reference: "1".to_owned() };
    assert_eq!(shop.cancel("1"), Err(none));

    let page: Value = json_of(get(&shop, "/bought").await).await;
    let told = &page["bought"][0];
    assert_eq!((&told["ref"], &told["buyer"]["name"]), (&json!(second), &json!("Bea")));
    let lines = json!([{"code": "A", "count": "1", "each": "28.00"},
        {"code": "A", "count": "-1", "each": "28.00", "back": "B1"}]);
    assert_eq!(told["lines"], lines);
    assert_eq!(told["placed"], "2026-06-15T12:00:00.000Z");
    assert_eq!(told["changed"], "2026-06-15T12:00:00.001Z", "a change is later than what it changes");
}

#[tokio::test]
async fn each_fault_does_what_it_says() {
    /// Longer than any answer without a fault takes, shorter than a test waits.
    const SLOW: u64 = 300;
    let check = async |fault: Fault, expected: Option<u16>, acts: bool| {
        let shop = open(options()).await;
        shop.set_faults(Faults { percent: 100, kinds: vec![fault], ..Faults::default() });
        let client = client().build().unwrap();
        let request = client.put(format!("{}/intake/A", shop.base())).body(listing("A", 1, 2).to_string());
        let begun = Instant::now();
        let answer = match request.send().await {
            Ok(answer) => {
                let (status, retry) =
                    (answer.status().as_u16(), answer.headers().get("retry-after").cloned());
                answer.bytes().await.ok().map(|body| (status, retry, body))
            }
            Err(_) => None,
        };
        assert_eq!(answer.as_ref().map(|(status, ..)| *status), expected, "{fault:?}");
        assert_eq!(shop.availability("A").is_some(), acts, "{fault:?} acts");
        match (fault, answer) {
            (Fault::Status { retry_after: Some(seconds), .. }, Some((_, retry, _))) => {
                assert_eq!(retry.unwrap().to_str().unwrap(), seconds.to_string());
            }
            (Fault::HugePage { bytes, .. }, Some((.., body))) => assert_eq!(body.len(), bytes),
            (Fault::Slow { .. } | Fault::Drip { .. }, Some(_)) => {
                assert!(begun.elapsed() >= Duration::from_millis(SLOW), "{fault:?} was quick");
            }
            (Fault::WrongType, Some((.., body))) => assert!(body.starts_with(b"<!doctype html>")),
            _ => {}
        }
    };
    check(Fault::Slow { millis: SLOW }, Some(201), true).await;
    check(Fault::Status { code: 503, retry_after: Some(30), acts: false }, Some(503), false).await;
    check(Fault::Status { code: 500, retry_after: None, acts: true }, Some(500), true).await;
    check(Fault::ResetBefore, None, false).await;
    check(Fault::ResetAfter, None, true).await;
    check(Fault::CutBody, None, true).await;
    check(Fault::Drip { millis: SLOW / 20 }, Some(201), true).await;
    check(Fault::WrongType, Some(200), true).await;
    check(Fault::HugePage { bytes: 10_000_000, acts: false }, Some(500), false).await;
}

#[tokio::test]
async fn every_status_can_be_had() {
    let shop = open(options()).await;
    for code in 200..=599 {
        let kinds = vec![Fault::Status { code, retry_after: None, acts: false }];
        shop.set_faults(Faults { percent: 100, kinds, ..Faults::default() });
        assert_eq!(put(&shop, "A", 1, 1).await, code);
    }
    assert_eq!(shop.availability("A"), None);
}

#[tokio::test]
async fn a_slow_message_is_acted_on_even_if_nobody_waits() {
    let shop = open(options()).await;
    let kinds = vec![Fault::Slow { millis: 200 }];
    shop.set_faults(Faults { percent: 100, kinds, ..Faults::default() });
    let client = client().timeout(Duration::from_millis(50)).build().unwrap();
    let request = client.put(format!("{}/intake/A", shop.base())).body(listing("A", 1, 2).to_string());
    assert!(request.send().await.unwrap_err().is_timeout());
    assert_eq!(shop.availability("A"), None);
    for _ in 0..100 {
        if shop.availability("A").is_some() {
            return;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("the message was never acted on");
}

#[tokio::test]
async fn hooks_are_signed_and_tried_again() {
    type Came = Arc<std::sync::Mutex<Vec<(axum::http::HeaderMap, String)>>>;
    /// Answers 500 to the first two, and keeps what came.
    async fn house() -> (String, Came) {
        use axum::{Router, http::HeaderMap, http::StatusCode, routing::post};
        let came = Came::default();
        let keeps = Arc::clone(&came);
        let route = post(async move |headers: HeaderMap, body: String| {
            let mut came = keeps.lock().unwrap();
            came.push((headers, body));
            if came.len() <= 2 { StatusCode::INTERNAL_SERVER_ERROR } else { StatusCode::NO_CONTENT }
        });
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("http://{}/hooks/village", listener.local_addr().unwrap());
        tokio::spawn(
            async move { axum::serve(listener, Router::new().route("/hooks/village", route)).await },
        );
        (address, came)
    }
    let (address, came) = house().await;
    let clock = Arc::new(AtomicI64::new(START));
    let by = Arc::clone(&clock);
    let secrets = ["whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"]
        .map(|secret| HookSecret::parse(secret).unwrap());
    let hooks = Some(HooksTo { address, secrets: secrets.to_vec(), by_itself: false });
    let shop = open(Options { hooks, clock: Now::by(move || by.load(Ordering::SeqCst)), ..options() }).await;
    shop.put_own("A", "Card", Decimal::TEN, Decimal::ONE);
    shop.buy(&one("A"), "Ann", true).unwrap();
    for (wait, well) in [(0, 0), (999, 0), (1, 0), (1_999, 0), (1, 1), (100_000, 0)] {
        clock.fetch_add(wait, Ordering::SeqCst);
        assert_eq!(shop.send_hooks().await, well, "after {wait} ms more");
    }
    let came = came.lock().unwrap();
    assert_eq!((came.len(), shop.hooks_waiting()), (3, 0));
    for (headers, body) in &*came {
        assert_eq!(headers["webhook-id"], "msg_1");
        let signed = headers["webhook-signature"].to_str().unwrap();
        assert_eq!(signed.split(' ').filter(|one| one.starts_with("v1,")).count(), 2, "{signed}");
        let told: Value = serde_json::from_str(body).unwrap();
        assert_eq!(numbers_of(&told), ["640"]);
    }
    let seconds: Vec<i64> =
        came.iter().map(|(h, _)| h["webhook-timestamp"].to_str().unwrap().parse().unwrap()).collect();
    assert_eq!(seconds.iter().map(|s| s - START / 1_000).collect::<Vec<_>>(), [0, 1, 3]);
}

#[tokio::test]
async fn a_passer_by_orders_on_the_page() {
    let shop = open(options()).await;
    put(&shop, "A<&1", 1, 1).await;
    let client = client().redirect(reqwest::redirect::Policy::none()).build().unwrap();
    let page = async |path: &str| get(&shop, path).await.text().await.unwrap();
    let shelf = page("/").await;
    assert!(shelf.contains("A&#60;&#38;1") && shelf.contains("Order it"), "{shelf}");
    let form = |text: &'static str| {
        let request = client.post(format!("{}/order", shop.base()));
        request.header("content-type", "application/x-www-form-urlencoded").body(text).send()
    };
    for (text, expected) in [("sku=A%3C%261&count=two", 400), ("sku=A%3C%261&count=0", 409), ("sku=B", 409)] {
        assert_eq!(form(text).await.unwrap().status().as_u16(), expected, "{text}");
    }
    let answer = form("sku=A%3C%261&name=Ann").await.unwrap();
    assert_eq!(
        (answer.status().as_u16(), &answer.headers()["location"]),
        (303, &"/orders/640".parse().unwrap())
    );
    let receipt = page("/orders/640").await;
    assert!(
        receipt.contains("Ann") && receipt.contains("32.50") && receipt.contains("Call it off"),
        "{receipt}"
    );
    assert!(page("/").await.contains("Gone."));
    assert!(page("/orders").await.contains("paid, being packed"));
    assert!(page("/orders/7").await.contains("there is no order 7"));
    let off = client.post(format!("{}/orders/640/call-off", shop.base())).send().await.unwrap();
    assert_eq!(off.status().as_u16(), 303);
    assert!(page("/orders/640").await.contains("called off"));
    assert_eq!(shop.availability("A<&1"), Some(Decimal::ONE));
}

#[tokio::test]
async fn it_opens_on_the_loopback_alone() {
    let check = async |listen: &str, expected: &str| {
        let shop = Shop::start(Options { listen: listen.parse().unwrap(), ..options() }).await;
        let error = shop.expect_err(listen).to_string();
        assert!(error.contains(expected), "{listen}: {error}");
    };
    check("0.0.0.0:0", "is not a loopback address").await;
    check("192.0.2.1:8441", "is not a loopback address").await;
    let first = open(options()).await;
    check(&first.address.to_string(), "is taken").await;
}

async fn references(shop: &Running, path: &str) -> String {
    let page: Value = serde_json::from_str(&get(shop, path).await.text().await.unwrap()).unwrap();
    let orders = page["bought"].as_array().unwrap().iter();
    orders.map(|order| order["ref"].as_str().unwrap().to_owned()).collect::<Vec<_>>().join(" ")
}

#[tokio::test]
async fn a_list_by_places_shifts_with_what_changes() {
    let shop = open(options()).await;
    put(&shop, "A", 1, 9).await;
    for _ in 0..5 {
        shop.buy(&one("A"), "Bea", false).unwrap();
    }
    shop.set_faults(Faults { page: 2, ..Faults::default() });
    assert_eq!(references(&shop, "/bought?page=1").await, "640 641");
    assert_eq!(references(&shop, "/bought?from=").await, "640 641");
    shop.pay("640").unwrap();
    assert_eq!(references(&shop, "/bought?page=2").await, "643 644", "642 is on the first page by now");
    assert_eq!(references(&shop, "/bought?from=4").await, "640");
    // After each page an order is touched without a visible change.
    shop.set_faults(Faults { page: 2, shifts_percent: 100, ..Faults::default() });
    let before = references(&shop, "/bought?page=1").await;
    let orders = [get(&shop, "/bought/642").await, get(&shop, "/bought/9").await];
    assert_eq!(orders.map(|answer| answer.status().as_u16()), [200, 404]);
    let all: Vec<String> = (0..20).map(|_| before.clone()).collect();
    let mut seen = Vec::new();
    for _ in 0..20 {
        seen.push(references(&shop, "/bought?page=1").await);
    }
    assert_ne!(seen, all);
}

#[tokio::test]
async fn a_shop_that_is_put_back_forgets_what_came_since_and_numbers_on() {
    let shop = open(options()).await;
    put(&shop, "A", 1, 3).await;
    shop.buy(&one("A"), "Bea", true).unwrap();
    let backup = shop.back_up();
    assert_eq!(backup.orders().len(), 1);
    shop.buy(&one("A"), "Bea", true).unwrap();
    put(&shop, "A", 2, 9).await;
    shop.put_back(backup);
    assert_eq!(references(&shop, "/bought?after=").await, "640");
    assert_eq!(shop.availability("A"), Some(Decimal::TWO));
    assert_eq!(shop.buy(&one("A"), "Bea", true).unwrap(), "642");
    assert_eq!(references(&shop, "/bought?after=1").await, "642", "changes are counted on from there");
    assert_eq!(shop.cancel("641").unwrap_err(), NotBought::NoSuchOrder { reference: "641".to_owned() });
}

#[tokio::test]
async fn times_may_be_told_in_whole_seconds_and_the_clock_is_always_told() {
    let clock = || START + 1234;
    let shop = open(Options { clock: Now::by(clock), ..options() }).await;
    shop.set_faults(Faults { whole_seconds: true, ..Faults::default() });
    put(&shop, "A", 1, 3).await;
    shop.buy(&one("A"), "Bea", false).unwrap();
    let answer = get(&shop, "/bought/640").await;
    assert_eq!(answer.headers()["date"], "Mon, 15 Jun 2026 12:00:01 GMT");
    let order: Value = serde_json::from_str(&answer.text().await.unwrap()).unwrap();
    assert_eq!(order["changed"], "2026-06-15T12:00:01.000Z");
    assert_eq!(order["placed"], "2026-06-15T12:00:01.234Z");
}
