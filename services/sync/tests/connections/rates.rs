//! How often a shop is asked, whatever it answers.

use crate::ground::{Ground, HOUR, NAME, OUT, SECOND, ok};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use sync::connections::check_connection;
use wiremock::matchers::{any, path};
use wiremock::{Mock, Request, ResponseTemplate};

/// Requests per second in these tests.
const PER_SECOND: usize = 2;

async fn slow(tables: &str, skus: &[&str]) -> Ground {
    let ground = Ground::new().await;
    let text = format!(
        "channel = \"online\"\nbase = \"{}\"\nprivate = true\nper_second = {PER_SECOND}\n{tables}",
        ground.server.uri()
    );
    let checked = check_connection(&text).unwrap();
    ground.ledger.execute(None, &checked.save(NAME, text, "test")).await.unwrap();
    for sku in skus {
        ground.piece(sku).await;
    }
    ground
}

#[tokio::test]
async fn messages_of_a_refused_batch_go_no_faster_than_the_rate() {
    let skus: Vec<String> = (0..12).map(|at| format!("B{at}")).collect();
    let skus: Vec<&str> = skus.iter().map(String::as_str).collect();
    let batch = format!("{OUT}batch = {{ to = \"/batch\", at_once = 20, each = \"/all\" }}\n");
    let mut ground = slow(&batch, &skus).await;
    Mock::given(path("/batch")).respond_with(ResponseTemplate::new(400)).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    let mut most = PER_SECOND;
    for second in 0..8 {
        let _ = ground.round().await;
        let asked = ground.asked().await.len();
        assert!(asked <= most, "{asked} requests within {second} s");
        ground.wait(SECOND);
        most += PER_SECOND;
    }
    assert_eq!(ground.asked().await.len(), 13, "the batch, and each by itself");
    assert_eq!(ground.counts().await, "12 0 0 0 0");
}

#[tokio::test]
async fn what_goes_alone_by_its_kind_goes_no_faster_either() {
    let skus: Vec<String> = (0..8).map(|at| format!("B{at}")).collect();
    let skus: Vec<&str> = skus.iter().map(String::as_str).collect();
    let tables = format!(
        "{OUT}batch = {{ to = \"/batch\", at_once = 20, each = \"/all\" }}\nend = {{ to = \"/intake/{{sku}}\" }}\n"
    );
    let mut ground = slow(&tables, &skus).await;
    ground.answer(ok()).await;
    ground.rounds(10 * SECOND).await;
    assert_eq!(ground.asked().await.len(), 1);
    for sku in &skus {
        ground.sell(sku).await;
    }
    ground.answer(ok()).await;
    let _ = ground.round().await;
    assert!(ground.asked().await.len() <= PER_SECOND, "{:?}", ground.asked().await);
    ground.rounds(10 * SECOND).await;
    assert_eq!(ground.asked().await.len(), 8);
}

#[tokio::test]
async fn a_comparison_goes_on_at_its_page_after_the_shop_wanted_to_be_left_alone() {
    let listed = "[orders]\nfrom = \"/orders\"\nevery = \"1d\"\n[listed]\nfrom = \"/listed?page={page}\"\nnext = \"page\"\n\
        every = \"6h\"\nlayout = '''\nfeed = \"listings\"\nformat = \"json\"\neach = \"/listings\"\n\
        [field.sku]\nfrom = \"/code\"\n[field.inventoryLevel]\nfrom = \"/left\"\n'''\n";
    let mut ground = Ground::with(&format!("{OUT}{listed}"), &["B1", "B2", "B3", "B4", "B5"]).await;
    // This many pages may be requested before it demands a pause: fewer than the list has.
    let (asked, is_open) = (AtomicUsize::new(0), Arc::new(AtomicBool::new(false)));
    let opened = Arc::clone(&is_open);
    let answer = move |request: &Request| {
        if !opened.load(Ordering::SeqCst) {
            return ResponseTemplate::new(500);
        }
        if asked.fetch_add(1, Ordering::SeqCst) % 3 == 2 {
            return ResponseTemplate::new(429).insert_header("retry-after", "60");
        }
        let page: usize =
            request.url.query_pairs().find(|(key, _)| key == "page").unwrap().1.parse().unwrap();
        let rows =
            if page <= 5 { vec![json!({"code": format!("B{page}"), "left": "0"})] } else { Vec::new() };
        ResponseTemplate::new(200).set_body_json(json!({"listings": rows}))
    };
    Mock::given(path("/listed")).respond_with(answer).mount(&ground.server).await;
    let none = ResponseTemplate::new(200).set_body_raw("[]", "application/json");
    Mock::given(path("/orders")).respond_with(none).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    // What is sent while a list is read is no difference, so everything is sent before. A fault ends a reading; a demand
    // to wait would only interrupt it.
    ground.rounds(HOUR).await;
    let before = ground.asked().await.len();
    assert_eq!(ground.counts().await, "5 0 0 0 0");
    is_open.store(true, Ordering::SeqCst);
    ground.rounds(HOUR).await;
    let walked: Vec<String> = ground
        .asked()
        .await
        .iter()
        .skip(before)
        .filter_map(|a| a.strip_prefix("GET /listed?page="))
        .map(str::to_owned)
        .collect();
    assert_eq!(walked, ["1", "2", "3", "3", "4", "5", "5", "6"]);
    // All five are listed there without stock, and are corrected.
    let told = ground.asked().await.iter().filter(|a| a.starts_with("PUT ")).count();
    assert_eq!(told, 10, "each as it is listed, and again once it was compared");
}
