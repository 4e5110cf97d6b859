//! What people do with a connection by hand.

use crate::ground::{Ground, OUT, SECOND, ok};
use sync::connections::{When, check_connection, now, try_connection};
use wiremock::matchers::{any, path};
use wiremock::{Mock, ResponseTemplate};

#[tokio::test]
async fn a_dry_run_asks_and_shows_and_changes_nothing() {
    let lists = "[orders]\nfrom = \"/orders?since={since}\"\n[listed]\nfrom = \"/listed\"\n";
    let mut ground = Ground::with(&format!("[secret]\nname = \"village\"\n{OUT}{lists}"), &["B1"]).await;
    ground.secret("village", "hush");
    Mock::given(path("/orders"))
        .respond_with(ResponseTemplate::new(200).set_body_raw("[]", "application/json"))
        .mount(&ground.server)
        .await;
    Mock::given(any()).respond_with(ResponseTemplate::new(401)).mount(&ground.server).await;
    let tried = try_connection(&ground.ledger, &ground.live, "village").await.unwrap();
    assert!(!tried.works());
    let asked: Vec<(&str, bool)> = tried.asked.iter().map(|a| (a.what, a.works)).collect();
    assert_eq!(asked, [("orders", true), ("listings", false)]);
    assert!(tried.asked[1].words.contains("it answered 401"), "{}", tried.asked[1].words);
    let would = &tried.would_send[0];
    assert_eq!((would.method.as_str(), would.address.ends_with("/intake/B1")), ("PUT", true), "{would:?}");
    assert!(would.body.contains("\"sku\":\"B1\"") && would.about.contains("in stock"), "{would:?}");
    assert!(!format!("{tried:?}").contains("hush"), "{tried:?}");
    assert!(ground.asked().await.iter().all(|a| a.starts_with("GET")), "{:?}", ground.asked().await);
    assert_eq!(ground.status().await.sent, 0);
    // Nothing was claimed either.
    ground.answer(ok()).await;
    ground.round().await;
    assert!(ground.asked().await.contains(&"PUT /intake/B1 InStock".to_owned()));
}

#[tokio::test]
async fn a_dry_run_says_what_is_missing() {
    let ground =
        Ground::with(&format!("[secret]\nname = \"village\"\n{OUT}[hooks]\nsecret = [\"hook\"]\n"), &[])
            .await;
    let tried = try_connection(&ground.ledger, &ground.live, "village").await.unwrap();
    assert!(tried.troubles.iter().any(|t| t.contains("“village”")), "{:?}", tried.troubles);
    assert!(tried.troubles.iter().any(|t| t.contains("“hook”")), "{:?}", tried.troubles);
    ground.secret("village", "x");
    ground.secret("hook", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw");
    let tried = try_connection(&ground.ledger, &ground.live, "village").await.unwrap();
    assert_eq!(tried.troubles, Vec::<String>::new());
    assert!(tried.warnings.iter().any(|w| w.contains("nothing can be asked")), "{:?}", tried.warnings);
    assert!(try_connection(&ground.ledger, &ground.live, "nobody").await.is_err());
}

#[tokio::test]
async fn a_dry_run_shows_orders_as_they_would_be_understood_and_the_batch() {
    let tables = "[out]\nto = \"/x/{sku}\"\nnew_pieces = \"list\"\n\
        batch = { to = \"/many\", at_once = 5, each = \"/all\" }\n[orders]\nfrom = \"/orders\"\n\
        layout = '''\nfeed = \"orders\"\nformat = \"json\"\nlines = \"/lines\"\n[field.orderNumber]\nfrom = \"/n\"\n\
        [field.orderDate]\nfrom = \"/at\"\ndate = \"seconds\"\n[field.orderStatus]\nfrom = \"/state\"\n\
        words = { open = \"OrderPaymentDue\", paid = \"OrderProcessing\", off = \"OrderCancelled\" }\n\
        [field.sku]\nfrom = \"/code\"\n[field.orderQuantity]\nfrom = \"/count\"\n\
        [field.price]\nfrom = \"/cents\"\nscale = \"minor\"\n[field.shipping]\nfrom = \"/post\"\nscale = \"minor\"\n'''\n";
    let mut ground = Ground::with(tables, &["B1", "B2"]).await;
    let order = |number: &str, state: &str| {
        serde_json::json!({"n": number, "at": 1_781_524_800, "state": state, "post": 500,
            "lines": [{"code": "B1", "count": 1, "cents": 4200}]})
    };
    let page =
        serde_json::json!([order("7", "paid"), order("8", "open"), order("9", "off"), order("10", "paid")]);
    ground.answer(ResponseTemplate::new(200).set_body_json(page)).await;
    let tried = try_connection(&ground.ledger, &ground.live, "village").await.unwrap();
    assert!(tried.works(), "{tried:?}");
    let understood = &tried.asked[0].understood;
    assert_eq!(understood.len(), 3);
    assert_eq!(
        understood[0],
        "Order 7, placed Jun 15, 2026, 12:00 PM (UTC), status OrderProcessing: sold; 1 × B1 at $42.00 each, shipping $5.00"
    );
    assert!(understood[1].contains("OrderPaymentDue: unpaid"), "{understood:?}");
    assert!(understood[2].contains("OrderCancelled: canceled"), "{understood:?}");
    let batch = tried.would_send.last().unwrap();
    assert_eq!((batch.method.as_str(), batch.address.ends_with("/many")), ("POST", true), "{batch:?}");
    assert!(batch.body.starts_with("{\"all\":[") && batch.body.contains("\"sku\":\"B2\""), "{batch:?}");
    assert_eq!((ground.stock("B1").await.as_str(), ground.status().await.sent), ("1 0", 0));
    ground.rounds(0).await;
}

#[tokio::test]
async fn now_is_now_whatever_was_waited_for() {
    let mut ground = Ground::with(OUT, &["B1"]).await;
    ground.answer(ResponseTemplate::new(429).insert_header("retry-after", "3600")).await;
    ground.rounds(SECOND).await;
    assert!(ground.status().await.quiet_until.is_some());
    ground.answer(ok()).await;
    ground.piece("C1").await;
    let done = now(&ground.ledger, &ground.live, Some("village"), 3).await.unwrap();
    let mut asked = ground.asked().await;
    asked.sort();
    assert_eq!(asked, ["PUT /intake/B1 InStock", "PUT /intake/C1 InStock"], "a person asks");
    assert!(matches!(done[0].when, When::At(_)));
    assert!(done[0].is_all_done() && !done[0].needs_attention() && done[0].sent == 2, "{done:?}");
    assert!(now(&ground.ledger, &ground.live, Some("nobody"), 3).await.is_err());
    assert_eq!(now(&ground.ledger, &ground.live, None, 3).await.unwrap().len(), 1);
}

#[tokio::test]
async fn now_says_what_went_wrong_wherever_it_did() {
    let lists = "[orders]\nfrom = \"/orders\"\n[listed]\nfrom = \"/listed\"\n";
    let check = async |refused: &str, status: u16, expected: &str| {
        let ground = Ground::with(&format!("{OUT}{lists}"), &["B1"]).await;
        let answer = Mock::given(path(refused)).respond_with(ResponseTemplate::new(status));
        answer.mount(&ground.server).await;
        let listed = ResponseTemplate::new(200).set_body_raw("{\"@graph\": []}", "application/json");
        Mock::given(path("/listed")).respond_with(listed).mount(&ground.server).await;
        let none = ResponseTemplate::new(200).set_body_raw("[]", "application/json");
        Mock::given(any()).respond_with(none).mount(&ground.server).await;
        let done = now(&ground.ledger, &ground.live, Some("village"), 3).await.unwrap().remove(0);
        let told = format!("{} {} {:?}", done.is_all_done(), done.needs_attention(), done.troubles);
        assert!(told.contains(expected), "{refused} {status}: {told}");
    };
    check("/nothing", 200, "true false []").await;
    check("/orders", 500, "false false [\"its list of orders: it answered 500").await;
    check("/listed", 404, "false false [\"its list of listings: it answered 404").await;
    check("/intake/B1", 500, "false false [\"B1: it answered 500").await;
    check("/intake/B1", 422, "true true []").await;
    check("/intake/B1", 401, "false false [\"").await;
}

#[test]
fn a_text_is_checked_before_it_is_saved() {
    let check = |text: &str, expected: &str| {
        let told = check_connection(text).map_or_else(|e| e.to_string(), |c| format!("{:?}", c.new_pieces));
        assert!(told.contains(expected), "{text}: {told}");
    };
    let text = |base: &str, more: &str| {
        format!("channel = \"online\"\nbase = \"{base}\"\n{more}[out]\nto = \"/x/{{sku}}\"\n")
    };
    check(&text("https://shop.example/api", ""), "Wait");
    check(&format!("{}new_pieces = \"list\"\n", text("https://shop.example/api", "")), "List");
    check(&text("https://127.0.0.1/api", ""), "base: 127.0.0.1 has the address 127.0.0.1");
    check(&text("https://127.0.0.1/api", "private = true\n"), "Wait");
    check(&text("https://[fe80::1]/api", "private = true\n"), "which is not a public one");
    let token = |at: &str| format!("[secret]\nname = \"v\"\nas = \"oauth\"\ntoken = \"{at}\"\n");
    check(
        &text("https://shop.example/api", &token("https://10.0.0.1/token")),
        "[secret] token: 10.0.0.1 has",
    );
    check(&text("https://shop.example/api", &token("https://login.shop.example/token")), "Wait");
    check("channel = ", "line 1");
}

#[test]
fn the_connection_that_shows_every_key_can_be_used() {
    let text = include_str!("../../../../demo/connection.toml");
    let checked = check_connection(text).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((checked.secrets.len(), checked.takes_hooks), (3, true));
    // Each key that the file explains is one: misspelled, it is refused by name.
    let mut keys = 0;
    for line in text.lines().filter(|l| !l.starts_with(['#', '[', '\'', ' '])) {
        let Some((key, _)) = line.split_once(" = ") else { continue };
        keys += 1;
        let refused = check_connection(&text.replace(&format!("\n{key} = "), &format!("\n{key}x = ")));
        assert!(refused.is_err(), "{key}");
    }
    assert!(keys > 40, "{keys}");
    // The alternatives to them, of which only one can be used, are keys too.
    for line in text.lines().filter_map(|l| l.strip_prefix("# ")) {
        let Some((key, _)) = line.split_once(" = ").filter(|(key, _)| !key.contains(' ')) else { continue };
        let told = check_connection(&text.replacen(&format!("# {line}"), line, 1));
        let told = told.map_or_else(|e| e.to_string(), |_| String::new());
        assert!(!told.contains("unknown field"), "{key}: {told}");
    }
}
