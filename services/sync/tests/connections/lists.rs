//! The other shop's own list of its listings, compared with the shelf.

use crate::ground::{Ground, HOUR, OUT, SECOND, ok};
use domain::codes::Code;
use ledger::online::{DifferenceChoice, SettleDifference};
use serde_json::{Value, json};
use sync::connections::{NotReconciled, reconcile};
use wiremock::matchers::{any, method, path, query_param};
use wiremock::{Mock, ResponseTemplate};

/// Its orders, of which there are none: so nobody can have bought what it does not list.
const ORDERS: &str = "[orders]\nfrom = \"/orders\"\nevery = \"1d\"\n";

fn tables(out: &str) -> String {
    format!(
        "{out}{ORDERS}[listed]\nfrom = \"/listed?page={{page}}\"\nnext = \"page\"\nevery = \"6h\"\nlayout = '''\n\
         feed = \"listings\"\nformat = \"json\"\neach = \"/listings\"\n[field.sku]\nfrom = \"/code\"\n\
         [field.\"offers.price\"]\nfrom = \"/price\"\n[field.inventoryLevel]\nfrom = \"/left\"\n\
         [field.name]\nfrom = \"/title\"\n'''\n"
    )
}

fn listed(sku: &str, left: &str, price: &str) -> Value {
    json!({"code": sku, "left": left, "price": price, "title": format!("Thing {sku}")})
}

async fn theirs(ground: &Ground, rows: &[Value]) {
    ground.server.reset().await;
    let page = |rows: &[Value]| ResponseTemplate::new(200).set_body_json(json!({"listings": rows}));
    let half = rows.len().div_ceil(2);
    for (number, rows) in [("1", &rows[..half]), ("2", &rows[half..])] {
        let asked = Mock::given(path("/listed")).and(query_param("page", number));
        asked.respond_with(page(rows)).mount(&ground.server).await;
    }
    Mock::given(path("/listed")).respond_with(page(&[])).mount(&ground.server).await;
    let none = ResponseTemplate::new(200).set_body_raw("[]", "application/json");
    Mock::given(path("/orders")).respond_with(none).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
}

async fn told(ground: &Ground) -> Vec<String> {
    let mut told: Vec<String> = ground.asked().await.into_iter().filter(|a| !a.starts_with("GET")).collect();
    told.sort();
    told
}

async fn differences(ground: &Ground) -> Vec<String> {
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let differences = ground.ledger.listing_differences(connection, 100).await.unwrap();
    let words = |d: &ledger::online::StoredDifference| {
        let d = &d.difference;
        format!("{} {} {}|{}", d.sku, d.field, d.ours, d.theirs)
    };
    differences.iter().map(words).collect()
}

#[tokio::test]
async fn what_is_safe_is_mended_and_the_rest_is_asked() {
    let mut ground = Ground::with(&tables(OUT), &["B1", "B2", "C1", "C2"]).await;
    let good = ["B1", "B2", "C1"].map(|sku| listed(sku, "1", "40.00"));
    theirs(&ground, &good).await;
    let sold = ground.sell("C2").await;
    ground.rounds(SECOND).await;
    assert_eq!(told(&ground).await.len(), 3, "{:?}", told(&ground).await);
    // B1 is correct; B2 has another price; C1 is not listed; C2 is still for sale, though sold.
    let rows = [
        listed("B1", "1", "40.00"),
        listed("B2", "1", "44.00"),
        listed("C2", "1", "40.00"),
        listed("GHOST", "1", "9.00"),
    ];
    theirs(&ground, &rows).await;
    ground.rounds(6 * HOUR).await;
    assert_eq!(told(&ground).await, ["PUT /intake/C1 InStock", "PUT /intake/C2 SoldOut"]);
    assert_eq!(differences(&ground).await, ["B2 offers.price 40.00|44.00", "GHOST sku |Thing GHOST"]);
    assert_eq!(ground.status().await.differences, 2);
    // A person chooses our value.
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let price = ground.ledger.listing_differences(connection, 10).await.unwrap().remove(0);
    let settle =
        SettleDifference { id: price.id, choice: DifferenceChoice::TellOurs, who: "owner".to_owned() };
    ground.ledger.execute(None, &settle).await.unwrap();
    theirs(&ground, &rows[..1]).await;
    ground.rounds(SECOND).await;
    assert_eq!(told(&ground).await, ["PUT /intake/B2 InStock"]);
    ground.take_back(&sold).await;
    ground.rounds(SECOND).await;
    assert_eq!(told(&ground).await, ["PUT /intake/B2 InStock", "PUT /intake/C2 InStock"]);
}

#[tokio::test]
async fn what_they_have_less_of_may_be_bought_and_is_not_put_on_offer_again_unasked() {
    let check = async |orders: &str, answer: ResponseTemplate, expected: &[&str], asked: &[&str]| {
        let mut ground = Ground::with(&tables(OUT).replace(ORDERS, orders), &["B1", "C1"]).await;
        theirs(&ground, &[]).await;
        ground.rounds(SECOND).await;
        theirs(&ground, &[listed("B1", "0", "40.00")]).await;
        Mock::given(path("/orders")).respond_with(answer).with_priority(1).mount(&ground.server).await;
        ground.rounds(6 * HOUR + SECOND).await;
        assert_eq!(told(&ground).await, expected, "{orders}");
        assert_eq!(differences(&ground).await, asked, "{orders}");
    };
    let both = ["PUT /intake/B1 InStock", "PUT /intake/C1 InStock"];
    let questions =
        ["B1 inventoryLevel 1|0", "B1 offers.availability InStock|", "C1 offers.availability InStock|"];
    let list = |text: &str| ResponseTemplate::new(200).set_body_raw(text.to_owned(), "application/json");
    check(ORDERS, list("[]"), &both, &[]).await;
    check("", list("[]"), &[], &questions).await;
    check(ORDERS, ResponseTemplate::new(500), &[], &questions).await;
    // B1 was bought there, and nobody here knew: it is taken off the shelf and not offered again.
    let bought = "[{\"orderNumber\": \"1\", \"orderDate\": \"2026-06-15T11:00:00Z\", \"sku\": \"B1\", \
        \"orderQuantity\": \"1\", \"price\": \"40.00\"}]";
    let ended = ["PUT /intake/B1 SoldOut", "PUT /intake/C1 InStock"];
    check(ORDERS, list(bought), &ended, &[]).await;
}

#[tokio::test]
async fn what_is_on_offer_there_without_our_word_is_ours_to_end() {
    let mut ground = Ground::with(&tables("[out]\nto = \"/intake/{sku}\"\n"), &["B1", "B2"]).await;
    // Listed there by hand: one as it is here, one that is sold here already.
    ground.sell("B2").await;
    theirs(&ground, &[listed("B1", "1", "40.00"), listed("B2", "1", "40.00")]).await;
    ground.rounds(SECOND).await;
    assert_eq!(told(&ground).await, ["PUT /intake/B2 SoldOut"]);
    theirs(&ground, &[]).await;
    ground.sell("B1").await;
    ground.rounds(SECOND).await;
    assert_eq!(told(&ground).await, ["PUT /intake/B1 SoldOut"]);
}

#[tokio::test]
async fn a_connection_of_stock_alone_asks_nothing_about_texts() {
    let mut ground = Ground::with(&tables(&format!("{OUT}message = \"stock\"\n")), &["B1"]).await;
    theirs(&ground, &[listed("B1", "0", "55.00")]).await;
    ground.rounds(7 * HOUR).await;
    assert_eq!(differences(&ground).await, Vec::<String>::new());
}

#[tokio::test]
async fn a_list_that_breaks_off_changes_nothing_and_is_asked_for_again_soon() {
    let mut ground = Ground::with(&tables(OUT), &["B1", "C1"]).await;
    theirs(&ground, &[]).await;
    ground.rounds(SECOND).await;
    ground.server.reset().await;
    let first = ResponseTemplate::new(200).set_body_json(json!({"listings": [listed("B1", "1", "40.00")]}));
    Mock::given(query_param("page", "1")).respond_with(first).mount(&ground.server).await;
    Mock::given(method("GET")).respond_with(ResponseTemplate::new(500)).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    ground.rounds(6 * HOUR + SECOND).await;
    assert_eq!(told(&ground).await, Vec::<String>::new(), "C1 may stand on the second page");
    let pages = ground.asked().await.len();
    ground.rounds(HOUR).await;
    assert!(ground.asked().await.len() > pages, "not left for six hours");
    assert!(ground.status().await.last_trouble.contains("list of listings"));
}

#[tokio::test]
async fn a_person_may_ask_for_it_now() {
    let mut ground = Ground::with(&tables(OUT), &["B1"]).await;
    theirs(&ground, &[]).await;
    ground.rounds(SECOND).await;
    theirs(&ground, &[listed("B1", "0", "40.00"), json!({"code": "", "left": "?"})]).await;
    let done = reconcile(&ground.ledger, &ground.live, "village", 1).await.unwrap();
    assert_eq!((done.listed, done.mended, done.asked, done.rejected), (1, 1, 0, 1), "{done:?}");
    ground.rounds(SECOND).await;
    assert_eq!(told(&ground).await, ["PUT /intake/B1 InStock"]);
    let revision = ground.ledger.item(&Code::parse("B1").unwrap()).await.unwrap().revision;
    assert!(revision > 1, "told at a revision of its own");
    ground.answer(ResponseTemplate::new(500)).await;
    let failed = reconcile(&ground.ledger, &ground.live, "village", 1).await.unwrap_err();
    assert!(matches!(failed, NotReconciled::Fetch { .. }), "{failed}");
    ground.connect(OUT).await;
    let none = reconcile(&ground.ledger, &ground.live, "village", 1).await.unwrap_err();
    assert!(matches!(none, NotReconciled::NoList { .. }), "{none}");
}
