//! The pages of customers, with forms only.

use crate::testing::{Reply, TestShop};
use axum::body::Body;
use axum::http::Method;
use domain::people::Role;

async fn post(shop: &TestShop, path: &str, seal_from: &str, fields: &[(&str, &str)]) -> Reply {
    let page = shop.get(seal_from).await;
    let seal = page.text().split("name=\"_seal\" value=\"").nth(1).expect("a form");
    let seal = seal.split('"').next().expect("a seal").to_owned();
    let fields = [&[("_seal", seal.as_str())], fields].concat();
    let body: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
    let kind = [("content-type", "application/x-www-form-urlencoded")];
    shop.ask(Method::POST, path, &kind, Body::from(body)).await
}

async fn ada(shop: &TestShop) -> String {
    let fields = [("name", "Ada Moss"), ("email", "ada@example.com"), ("telephone", "802 555 0142")];
    let added = post(shop, "/customers", "/customers", &fields).await;
    assert_eq!(added.status, 303, "{}", added.text());
    added.header("location").expect("where it goes").to_owned()
}

#[tokio::test]
async fn a_customer_is_added_found_and_changed() {
    let shop = TestShop::open().await;
    let path = ada(&shop).await;
    for q in ["ada", "EXAMPLE.com", "555-0142"] {
        let list = shop.get(&format!("/customers?q={q}")).await;
        assert!(list.text().contains(&format!("href=\"{path}\"")), "{q}: {}", list.text());
    }
    let wrong = post(&shop, "/customers", "/customers", &[("name", "Bea"), ("email", "nowhere")]).await;
    assert_eq!(wrong.status, 422);
    assert!(
        wrong.text().contains("value=\"Bea\"") && wrong.text().contains("fault-email"),
        "{}",
        wrong.text()
    );
    let fields = [("revision", "1"), ("name", "Ada Fern"), ("note", "likes moss")];
    assert_eq!(post(&shop, &path, &path, &fields).await.status, 303);
    let stale = post(&shop, &path, &path, &fields).await;
    assert_eq!(stale.status, 422);
    assert!(stale.text().contains("name=\"revision\" value=\"2\""), "{}", stale.text());
}

#[tokio::test]
async fn terms_are_set_by_those_who_may_and_wrong_ones_are_shown_again() {
    let shop = TestShop::open().await;
    let path = ada(&shop).await;
    let terms = format!("{path}/terms");
    let check = |fields: &'static [(&'static str, &'static str)], field: &'static str| {
        let (shop, path, terms) = (&shop, &path, &terms);
        async move {
            let reply = post(shop, terms, path, fields).await;
            assert_eq!(reply.status, 422, "{fields:?}");
            assert!(reply.text().contains(&format!("fault-{field}")), "{fields:?}: {}", reply.text());
        }
    };
    check(&[("revision", "1"), ("discount", "120")], "discount").await;
    check(&[("revision", "1"), ("certificate", "VT-1")], "keep_until").await;
    check(&[("revision", "1"), ("certificate", "VT-1"), ("keep_until", "soon")], "keep_until").await;
    let clerk = shop.as_role(Role::Counter);
    let page = clerk.get(&path).await;
    assert!(!page.text().contains(&terms) && !page.text().contains("/erase"), "{}", page.text());
    assert_eq!(post(&clerk, &terms, &path, &[("revision", "1"), ("wholesale", "yes")]).await.status, 403);
    let set = [
        ("revision", "1"),
        ("wholesale", "yes"),
        ("discount", "10"),
        ("certificate", "VT-1"),
        ("keep_until", "2030-01-01"),
    ];
    assert_eq!(post(&shop, &terms, &path, &set).await.status, 303);
    let page = shop.get(&path).await;
    assert!(page.text().contains("Wholesale · Tax-exempt · 10% discount"), "{}", page.text());
}

#[tokio::test]
async fn data_is_given_out_and_erased_after_a_question() {
    let shop = TestShop::open().await;
    let path = ada(&shop).await;
    let export = post(&shop, &format!("{path}/export"), &path, &[]).await;
    let named = export.header("content-disposition").unwrap_or_default().to_owned();
    assert!(named.starts_with("attachment; filename=\"customer-") && !named.contains("Ada"), "{named}");
    assert_eq!(export.json()["customer"]["email"], "ada@example.com");
    let erase = format!("{path}/erase");
    let question = shop.get(&erase).await;
    assert!(question.text().contains("Erase Ada Moss"), "{}", question.text());
    assert_eq!(post(&shop, &erase, &erase, &[]).await.status, 303);
    let page = shop.get(&path).await;
    assert!(page.text().contains("Erased customer") && !page.text().contains("Ada"), "{}", page.text());
    assert_eq!(shop.get(&erase).await.status, 303);
    let log = shop.get("/settings/activity").await;
    assert!(log.text().contains("an erased customer") && !log.text().contains("Ada Moss"), "{}", log.text());
}
