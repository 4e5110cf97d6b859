//! Ringing up, over the router.

use crate::testing::TestShop;
use serde_json::{Value, json};

#[tokio::test]
async fn a_sale_says_its_receipt_totals_and_change() {
    let shop = TestShop::open().await;
    let sale = json!({"channel": "store", "discount": "3.00", "shipping": "5.00", "note": "for the fair",
        "lines": [{"sku": "COWL", "quantity": "1", "tax": "2.40"},
            {"sku": "ROVING", "quantity": "0.5", "unitCode": "LBR", "discount": "1.00"}],
        "tenders": [{"kind": "card", "amount": "20.00"}, {"kind": "cash", "amount": "60.00"}]});
    let reply = shop.post("/api/sales", "k1", sale).await;
    assert_eq!(reply.status, 201, "{}", reply.text());
    let made = reply.json();
    let id = made["id"].as_str().expect("an id");
    assert_eq!(reply.header("location"), Some(format!("/api/sales/{id}").as_str()));
    assert_eq!(
        json!([made["receipt"], made["channel"], made["at"]]),
        json!(["1", "store", "2026-05-17T12:00:00Z"])
    );
    // 48.00 + 8 oz × 2.25 = 66.00; 1.00 and 3.00 off; 2.40 tax; 5.00 shipping.
    let totals = json!({"lines": "66.00", "discounts": "4.00", "tax": "2.40", "shipping": "5.00", "rounding": "0.00",
        "due": "69.40", "tendered": "80.00"});
    assert_eq!((&made["totals"], &made["change"]), (&totals, &json!("10.60")));
    let roving = &made["lines"][1];
    let shown =
        json!([roving["kind"], roving["sku"], roving["quantity"], roving["unitCode"], roving["amount"]]);
    assert_eq!(shown, json!(["goods", "ROVING", "8.000", "ONZ", "18.00"]));
    assert!(reply.has_no_number(), "{}", reply.text());
}

#[tokio::test]
async fn a_sale_sent_twice_is_made_once() {
    let shop = TestShop::open().await;
    let first = shop.post("/api/sales", "k1", TestShop::cash_sale("SPINDLE")).await;
    let bare =
        shop.post_with("/api/sales", &[("idempotency-key", "k1")], TestShop::cash_sale("SPINDLE")).await;
    assert_eq!((first.status, first.header("answered-before")), (201, None));
    assert_eq!((bare.status, bare.header("answered-before")), (201, Some("true")));
    assert_eq!((bare.text(), bare.header("location")), (first.text(), first.header("location")));
    shop.post("/api/sales", "k1", TestShop::cash_sale("HAT")).await.expect_problem("key-reused", 422);
    // The same key elsewhere is another key.
    let hold = json!({"for": "basket", "lines": [{"sku": "HAT", "quantity": "1"}]});
    assert_eq!(shop.post("/api/holds", "k1", hold).await.status, 201);
    assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "9");
}

#[tokio::test]
async fn a_refusal_that_stands_is_given_again() {
    let shop = TestShop::open().await;
    shop.sell("COWL", "k1").await;
    let first = shop.post("/api/sales", "k2", TestShop::cash_sale("COWL")).await;
    first.expect_problem("already-sold", 409);
    let document = first.json();
    assert_eq!(document["item"], json!({"sku": "COWL", "name": "Moor cowl"}));
    let sold = json!({"channel": "store", "at": "2026-05-17T12:00:00Z", "receipt": "1"});
    assert_eq!(document["sold"], sold);
    let again = shop.post("/api/sales", "k2", TestShop::cash_sale("COWL")).await;
    assert_eq!((again.status, again.text()), (409, first.text()));
    assert_eq!((first.header("answered-before"), again.header("answered-before")), (None, Some("true")));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn fifty_identical_sales_at_once_are_one() {
    let shop = TestShop::open().await;
    let mut asking = tokio::task::JoinSet::new();
    for _ in 0..50 {
        let shop = shop.clone();
        asking.spawn(async move { shop.post("/api/sales", "k1", TestShop::cash_sale("SPINDLE")).await });
    }
    let replies = asking.join_all().await;
    let first = &replies[0];
    for reply in &replies {
        assert_eq!((reply.status, reply.text()), (201, first.text()));
    }
    let made = replies.iter().filter(|r| r.header("answered-before").is_none()).count();
    assert_eq!(made, 1);
    assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "9");
    assert_eq!(shop.get("/api/sales").await.json()["sales"].as_array().map(Vec::len), Some(1));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn of_fifty_buyers_of_one_piece_one_gets_it() {
    let shop = TestShop::open().await;
    let mut asking = tokio::task::JoinSet::new();
    for n in 0..50 {
        let shop = shop.clone();
        asking.spawn(
            async move { shop.post("/api/sales", &format!("k{n}"), TestShop::cash_sale("COWL")).await },
        );
    }
    let replies = asking.join_all().await;
    assert_eq!(replies.iter().filter(|r| r.status == 201).count(), 1);
    for reply in replies.iter().filter(|r| r.status != 201) {
        reply.expect_problem("already-sold", 409);
    }
}

#[tokio::test]
async fn a_basket_that_was_held_is_sold_by_its_hold() {
    let shop = TestShop::open().await;
    let hold = json!({"for": "basket", "lines": [{"sku": "COWL", "quantity": "1"}]});
    let held = shop.post("/api/holds", "h1", hold).await.json();
    shop.post("/api/sales", "k1", TestShop::cash_sale("COWL")).await.expect_problem("on-hold", 409);
    let sale = |hold: &Value| {
        let mut sale = TestShop::cash_sale("COWL");
        sale["hold"] = hold.clone();
        sale
    };
    let other = shop
        .post("/api/sales", "k2", {
            let mut s = TestShop::cash_sale("HAT");
            s["hold"] = held["id"].clone();
            s
        })
        .await;
    other.expect_fault("#/hold");
    assert_eq!(shop.post("/api/sales", "k3", sale(&held["id"])).await.status, 201);
    let over = shop.post("/api/sales", "k4", sale(&held["id"])).await;
    over.expect_problem("hold-over", 409);
    assert_eq!(over.json()["state"], "taken");
    shop.post("/api/sales", "k5", sale(&json!("77"))).await.expect_problem("no-such", 404);
}

#[tokio::test]
async fn gift_notes_and_deposits_are_not_goods() {
    let shop = TestShop::open().await;
    let shawl = json!({"customer": "Ada Moss", "note": "a shawl", "due": "2026-06-17"});
    let order = shop.post("/api/custom-orders", "o1", shawl).await.json()["id"].clone();
    let sale = json!({"channel": "store", "tenders": [{"kind": "card", "amount": "75.00"}], "lines": [
        {"kind": "gift-certificate", "title": "Gift note 17", "amount": "50.00"},
        {"kind": "deposit", "title": "Towards a shawl", "amount": "25.00", "customOrder": order}]});
    let made = shop.post("/api/sales", "k1", sale).await.json();
    assert_eq!(
        json!([made["lines"][0]["kind"], made["totals"]["due"]]),
        json!(["gift-certificate", "75.00"])
    );
    assert_eq!(shop.get("/api/books").await.json()["rows"][0]["gross"], "0.00");
}

#[tokio::test]
async fn a_wrong_value_names_its_place() {
    let shop = TestShop::open().await;
    let check = |change: Value, pointer: &'static str| {
        let shop = &shop;
        async move {
            let mut sale = TestShop::cash_sale("SPINDLE");
            for (field, value) in change.as_object().expect("an object") {
                sale[field] = value.clone();
            }
            let reply = shop.post("/api/sales", &change.to_string(), sale).await;
            reply.expect_fault(pointer);
        }
    };
    let lines = |line: Value| json!({"lines": [{"sku": "HAT", "quantity": "1"}, line]});
    let tender = |tender: Value| json!({"tenders": [tender]});
    check(json!({"channel": "Store!"}), "#/channel").await;
    check(json!({"channel": "moon"}), "#/channel").await;
    check(json!({"lines": []}), "#/lines").await;
    check(json!({"lines": vec![json!({"sku": "SPINDLE", "quantity": "1"}); 201]}), "#/lines").await;
    check(lines(json!({"quantity": "1"})), "#/lines/1/sku").await;
    check(lines(json!({"sku": "SPINDLE"})), "#/lines/1/quantity").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": 1})), "#/lines/1/quantity").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "0"})), "#/lines/1/quantity").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "0.5"})), "#/lines/1/quantity").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "1", "unitCode": "oz"})), "#/lines/1/unitCode").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "1", "discount": "-1"})), "#/lines/1/discount").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "1", "discount": "99"})), "#/lines").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "1", "tax": "a"})), "#/lines/1/tax").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "1", "price": "1"})), "#/lines/1/price").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "1", "amount": "1"})), "#/lines/1/amount").await;
    check(lines(json!({"kind": "tip", "title": "a", "amount": "1"})), "#/lines/1/kind").await;
    check(lines(json!({"kind": "deposit", "title": "a", "amount": "0"})), "#/lines/1/amount").await;
    check(lines(json!({"kind": "gift-certificate", "amount": "1"})), "#/lines/1/title").await;
    check(lines(json!({"kind": "gift-certificate", "title": "", "amount": "1"})), "#/lines/1/title").await;
    check(lines(json!({"kind": "deposit", "title": "a", "amount": "1"})), "#/lines/1/customOrder").await;
    check(lines(json!({"kind": "deposit", "amount": "1", "hold": "x"})), "#/lines/1/hold").await;
    check(lines(json!({"sku": "SPINDLE", "quantity": "1", "hold": "1"})), "#/lines/1/hold").await;
    check(lines(json!({"kind": "deposit", "title": "a", "amount": "1", "sku": "HAT"})), "#/lines/1/sku")
        .await;
    check(json!({"lines": [{"sku": "HAT", "quantity": "1"}, {"sku": "HAT", "quantity": "1"}]}), "#/lines")
        .await;
    check(tender(json!({"kind": "cash", "amount": 50})), "#/tenders/0/amount").await;
    check(tender(json!({"kind": "cash", "amount": "1.00"})), "#/tenders").await;
    check(tender(json!({"kind": "card", "amount": "50.00"})), "#/tenders").await;
    check(tender(json!({"kind": "goats", "amount": "50.00"})), "#/tenders/0/kind").await;
    check(tender(json!({"kind": "cash", "amount": "-50.00"})), "#/tenders/0/amount").await;
    check(tender(json!({"kind": "on-account", "amount": "18.00"})), "#/tenders").await;
    check(tender(json!({"kind": "cash", "amount": "18.00", "due": "2026-06-31"})), "#/tenders/0/due").await;
    check(tender(json!({"kind": "cash", "amount": "18.00", "iban": "x"})), "#/tenders/0/iban").await;
    check(json!({"shipping": "-1.00"}), "#/shipping").await;
    check(json!({"discount": "1.001"}), "#/discount").await;
    check(json!({"at": "yesterday"}), "#/at").await;
    check(json!({"at": "2026-05-19"}), "#/at").await;
    check(json!({"hold": "x"}), "#/hold").await;
    check(json!({"note": "5500 0000 0000 0004"}), "#/note").await;
    check(json!({"note": "a\u{0}b"}), "#/note").await;
    check(json!({"receipt": "5"}), "#/receipt").await;
    assert_eq!(shop.get("/api/sales").await.json()["sales"], json!([]));
}

#[tokio::test]
async fn a_local_time_that_the_clocks_skipped_is_refused() {
    let shop = TestShop::open().await;
    let set = ledger::keeping::SetShop {
        key: "zone".to_owned(),
        value: "Europe/London".to_owned(),
        who: "owner".to_owned(),
    };
    shop.ledger().execute(None, &set).await.expect("set");
    let mut sale = TestShop::cash_sale("SPINDLE");
    // The clocks went from 01:00 to 02:00 that night.
    sale["at"] = json!("2026-03-29T01:30");
    let reply = shop.post("/api/sales", "k1", sale.clone()).await;
    reply.expect_fault("#/at");
    sale["at"] = json!("2026-03-29T02:30");
    assert_eq!(shop.post("/api/sales", "k2", sale).await.json()["at"], "2026-03-29T01:30:00Z");
}
