//! One customer over the API.

use crate::testing::{Reply, TestShop};
use domain::people::Role;
use serde_json::json;

/// Adds a customer; returns the path.
async fn ada(shop: &TestShop) -> String {
    let ada = json!({"name": "Ada Moss", "email": "ada@example.com", "telephone": "802 555 0142"});
    let added = shop.post("/api/customers", "ada", ada).await.json();
    format!("/api/customers/{}", added["id"].as_str().expect("an id"))
}

async fn export(shop: &TestShop, path: &str) -> Reply {
    shop.post(&format!("{path}/export"), "x", json!({})).await
}

#[tokio::test]
async fn an_edit_is_based_on_a_revision_and_leaves_the_rest() {
    let shop = TestShop::open().await;
    let path = ada(&shop).await;
    shop.patch(&path, "e0", &[], json!({"note": "likes fawn"}))
        .await
        .expect_problem("precondition-required", 428);
    let first = [("if-match", "\"1\"")];
    let edited = shop.patch(&path, "e1", &first, json!({"note": "likes fawn"})).await;
    assert_eq!((edited.status, edited.header("etag")), (200, Some("\"2\"")), "{}", edited.text());
    let again = shop.patch(&path, "e1", &first, json!({"note": "likes fawn"})).await;
    assert_eq!((again.status, again.header("answered-before")), (200, Some("true")));
    shop.patch(&path, "e2", &first, json!({"note": "moss"})).await.expect_problem("stale", 412);
    let terms = format!("{path}/terms");
    let second = [("if-match", "\"2\"")];
    for (key, body, field) in [
        ("t1", json!({"defaultDiscount": "101"}), "#/defaultDiscount"),
        ("t2", json!({"certificate": "VT-1"}), "#/keepUntil"),
        ("t3", json!({"certificate": "VT-1", "keepUntil": "soon"}), "#/keepUntil"),
    ] {
        shop.patch(&terms, key, &second, body).await.expect_fault(field);
    }
    let set =
        json!({"wholesale": true, "certificate": "VT-1", "keepUntil": "2030-01-01", "defaultDiscount": "10"});
    assert_eq!(shop.patch(&terms, "t4", &second, set).await.status, 200);
    let shown = shop.get(&path).await.json();
    let expected =
        json!({"wholesale": true, "certificate": "VT-1", "keepUntil": "2030-01-01", "defaultDiscount": "10"});
    assert_eq!(
        (&shown["name"], &shown["note"], &shown["terms"]),
        (&json!("Ada Moss"), &json!("likes fawn"), &expected)
    );
}

#[tokio::test]
async fn what_is_on_account_and_on_hold_names_the_customer_by_identifier() {
    let shop = TestShop::open().await;
    let path = ada(&shop).await;
    let id = path.rsplit('/').next().expect("an id").to_owned();
    let sale = json!({"channel": "store", "customerId": id, "lines": [{"sku": "COWL", "quantity": "1"}],
        "tenders": [{"kind": "on-account", "amount": "48.00", "due": "2026-06-16"}]});
    let sold = shop.post("/api/sales", "s1", sale).await;
    assert_eq!(sold.status, 201, "{}", sold.text());
    let sale_path = format!("/api/sales/{}", sold.json()["id"].as_str().expect("an id"));
    let shown = shop.get(&sale_path).await.json();
    assert_eq!(
        (&shown["customer"]["id"], &shown["tenders"][0]["customer"]),
        (&json!(id), &json!("Ada Moss"))
    );
    let hold = json!({"for": "customer", "customerId": id, "lines": [{"sku": "HAT", "quantity": "1"}]});
    let held = shop.post("/api/holds", "h1", hold).await.json();
    assert_eq!((&held["customerId"], &held["forWhom"]), (&json!(id), &json!("Ada Moss")));
    shop.delete(&path, "d1").await.expect_fault("#/customer");
    let nobody =
        json!({"for": "customer", "customerId": "77", "lines": [{"sku": "SPINDLE", "quantity": "1"}]});
    shop.post("/api/holds", "h2", nobody).await.expect_fault("#/customer");
}

#[tokio::test]
async fn data_is_exported_and_erased_by_an_owner_alone() {
    let shop = TestShop::open().await;
    let path = ada(&shop).await;
    let id = path.rsplit('/').next().expect("an id").to_owned();
    let mut sale = TestShop::cash_sale("COWL");
    sale["customerId"] = json!(id);
    let sold = shop.post("/api/sales", "s1", sale).await.json();
    for role in [Role::Counter, Role::Maker] {
        let other = shop.as_role(role);
        other.delete(&path, "d0").await.expect_problem("not-allowed", 403);
        export(&other, &path).await.expect_problem("not-allowed", 403);
    }
    let given = export(&shop, &path).await;
    assert_eq!(given.status, 200, "{}", given.text());
    let given = given.json();
    assert_eq!(given["customer"]["email"], "ada@example.com");
    assert_eq!(
        (&given["sales"][0]["total"], &given["sales"][0]["lines"][0]["sku"]),
        (&json!("48.00"), &json!("COWL"))
    );
    let erased = shop.delete(&path, "d1").await;
    assert_eq!(erased.status, 200, "{}", erased.text());
    let shown = shop.get(&path).await.json();
    assert_eq!(
        (&shown["name"], &shown["email"], shown["erasedAt"].is_string()),
        (&json!(""), &json!(""), true)
    );
    let sale_path = format!("/api/sales/{}", sold["id"].as_str().expect("an id"));
    let kept = shop.get(&sale_path).await.json();
    assert_eq!((&kept["totals"]["due"], &kept["customer"]["name"]), (&json!("48.00"), &json!("")));
    assert_eq!(shop.get("/api/customers").await.json()["customers"], json!([]));
    shop.delete(&path, "d2").await.expect_fault("#/customer");
    shop.delete("/api/customers/77", "d3").await.expect_problem("no-such", 404);
}
