//! The room as a whole, and shared parts of its pages' tests.

use crate::testing::{Reply, TestShop};
use axum::body::Body;
use axum::http::Method;
use domain::codes::Code;
use domain::item::ItemText;
use domain::stock::ItemKind;
use domain::weight::{Weight, WeightUnit};
use ledger::shelf::{AddItems, RowOutcome};
use testkit::make::with;

pub(crate) async fn send(shop: &TestShop, path: &str, pairs: &[(&str, &str)]) -> Reply {
    let mut body = form_urlencoded::Serializer::new(String::new());
    body.extend_pairs(pairs);
    let headers = [("content-type", "application/x-www-form-urlencoded")];
    shop.ask(Method::POST, path, &headers, Body::from(body.finish())).await
}

/// Adds this many pieces of the style: `N1`, `N2`, …
pub(crate) async fn add_pieces(shop: &TestShop, count: usize) {
    let piece = |n: usize| {
        with(testkit::make::item(ItemKind::Piece, &format!("N{n}")), |i| {
            i.text = ItemText {
                name: format!("New cowl {n}"),
                color: ["fawn", "madder|fawn", "woad"][n % 3].to_owned(),
                size: "M".to_owned(),
                material: "100% wool".to_owned(),
                ..ItemText::default()
            };
            i.pricing.style = Some("Moor cowl".to_owned());
            i.pricing.weight = Weight::parse("5.25", WeightUnit::Ounce).ok();
        })
    };
    let items = (1..=count).map(piece).collect();
    let added = AddItems { items, who: String::new(), progress: None };
    let outcomes = shop.ledger().execute(None, &added).await.expect("items").answer;
    assert!(outcomes.iter().all(|o| matches!(o, RowOutcome::Added(_))), "{outcomes:?}");
}

/// Every value of a hidden field on the page.
pub(crate) fn values(page: &str, name: &str) -> Vec<String> {
    let start = format!("name=\"{name}\" value=\"");
    page.split(&start).skip(1).filter_map(|rest| rest.split('"').next()).map(str::to_owned).collect()
}

#[tokio::test]
async fn the_room_tells_what_is_not_listed_and_what_is_weak_of_it() {
    let shop = TestShop::open().await.with_feed_adapter();
    add_pieces(&shop, 2).await;
    let reply = shop.get("/online").await;
    assert_eq!(reply.status, 200);
    let page = reply.text();
    for part in ["New cowl 2", "no photo", "no description", "6 pieces", "Write 6 listing texts"] {
        assert!(page.contains(part), "{part} in {page}");
    }
    assert!(!page.contains("style=\""), "{page}");
}

#[tokio::test]
async fn fifty_new_pieces_are_listed_by_two_presses() {
    let shop = TestShop::open().await.with_feed_adapter();
    add_pieces(&shop, 46).await;
    // 1: “Write the texts of 50” is a link to this page.
    let page = shop.get("/online/texts").await;
    assert_eq!(page.status, 200, "{}", page.text());
    let (skus, marks) = (values(page.text(), "sku"), values(page.text(), "was"));
    assert_eq!((skus.len(), marks.len()), (50, 50));
    // 2: “Keep them and put them out”.
    let texts: Vec<String> = skus.iter().map(|sku| format!("Text of {sku}.")).collect();
    let mut form = vec![("do", "keep-out"), ("template", "Text of {{ sku }}.")];
    for ((sku, was), text) in skus.iter().zip(&marks).zip(&texts) {
        form.extend([("sku", sku.as_str()), ("was", was.as_str()), ("text", text.as_str())]);
    }
    let done = send(&shop, "/online/texts", &form).await;
    assert_eq!(done.status, 303, "{}", done.text());
    let item = shop.ledger().item(&Code::parse("N7").expect("a code")).await.expect("an item");
    assert_eq!(item.text.description, "Text of N7.");
    assert_eq!(
        shop.ledger().listing_text("listing").await.expect("kept").as_deref(),
        Some("Text of {{ sku }}.")
    );
    let room = shop.get("/online").await;
    assert!(room.text().contains("Everything that can be listed is"), "{}", room.text());
}

#[tokio::test]
async fn every_page_opens_in_an_empty_shop_and_without_an_adapter() {
    let shop = TestShop::open().await;
    let with = TestShop::open().await.with_feed_adapter();
    for path in [
        "/online",
        "/online/texts",
        "/online/listed",
        "/online/listed?state=ended",
        "/online/compare",
        "/online/orders",
        "/online/orders?waiting=no",
        "/online/layouts",
        "/online/layouts/one",
        "/online/feeds",
        "/online/connections",
        "/online/new-connection",
    ] {
        for shop in [&shop, &with] {
            let reply = shop.get(path).await;
            assert_eq!(reply.status, 200, "{path}: {}", reply.text());
            assert!(reply.text().contains("aria-current=\"page\""), "{path}");
        }
    }
}
