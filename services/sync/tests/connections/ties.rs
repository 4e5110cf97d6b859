//! Two states of an order with the same time: the shop's current state decides.

use crate::ground::{Ground, HOUR, OUT, SECOND};
use crate::orders::{LAYOUT, known, order, page};
use serde_json::Value;
use wiremock::matchers::{any, path};
use wiremock::{Mock, ResponseTemplate};

const WAITS: &str = "[out]\nto = \"/intake/{sku}\"\n";

fn tables(one: &str) -> String {
    format!("{WAITS}[orders]\nfrom = \"/bought?since={{since}}\"\nevery = \"30s\"\n{one}{LAYOUT}")
}

async fn list(ground: &Ground, orders: &[Value]) {
    ground.server.reset().await;
    Mock::given(path("/bought")).respond_with(page(orders)).mount(&ground.server).await;
}

async fn one(ground: &Ground, answer: ResponseTemplate) {
    Mock::given(path("/bought/1")).respond_with(answer).mount(&ground.server).await;
    Mock::given(any()).respond_with(ResponseTemplate::new(404)).mount(&ground.server).await;
}

#[tokio::test]
async fn the_order_itself_is_asked_for() {
    let key = "one = \"/bought/{orderNumber}\"\n";
    let (paid, off) = (order("1", "B1", "OrderProcessing", 0), order("1", "B1", "OrderCancelled", 0));
    // Whichever of the two it is by now counts, alone or in a list.
    let alone = |order: &Value| ResponseTemplate::new(200).set_body_json(order);
    for (answer, expected) in [
        (alone(&off), "1 OrderCancelled Undone"),
        (alone(&paid), "1 OrderProcessing Filled"),
        (page(std::slice::from_ref(&off)), "1 OrderCancelled Undone"),
    ] {
        let mut ground = Ground::with(&tables(key), &["B1"]).await;
        list(&ground, std::slice::from_ref(&paid)).await;
        ground.rounds(SECOND).await;
        list(&ground, std::slice::from_ref(&off)).await;
        one(&ground, answer).await;
        ground.rounds(40 * SECOND).await;
        assert_eq!(known(&ground).await, [expected]);
        assert_eq!(ground.status().await.orders_deferred, 0);
    }
}

#[tokio::test]
async fn what_cannot_be_asked_for_waits_and_says_why() {
    let key = "one = \"/bought/{orderNumber}\"\n";
    let check = async |answer: ResponseTemplate, expected: &str| {
        let mut ground = Ground::with(&tables(key), &["B1", "C1"]).await;
        list(&ground, &[order("1", "B1", "OrderProcessing", 0)]).await;
        ground.rounds(SECOND).await;
        list(&ground, &[order("1", "B1", "OrderCancelled", 0)]).await;
        one(&ground, answer).await;
        ground.rounds(40 * SECOND).await;
        assert_eq!(known(&ground).await, ["1 OrderProcessing Filled"], "{expected}");
        let connection = ground.ledger.live_connections().await.unwrap()[0].id;
        let kept = ground.ledger.deferred_orders(connection, 10).await.unwrap();
        assert!(kept.len() == 1 && kept[0].words.contains(expected), "{expected}: {kept:?}");
    };
    check(ResponseTemplate::new(404), "it answered 404").await;
    check(ResponseTemplate::new(410), sync::connections::LOST_THERE).await;
    let other = order("2", "C1", "OrderCancelled", 0);
    check(ResponseTemplate::new(200).set_body_json(other), "what was asked for as order 1 is another").await;
    check(ResponseTemplate::new(200).set_body_raw("{", "application/json"), "cannot be read").await;
}

#[tokio::test]
async fn without_its_address_the_next_walk_decides() {
    let (paid, off) = (order("1", "B1", "OrderProcessing", 0), order("1", "B1", "OrderCancelled", 0));
    // It is still there: that is its state.
    let mut ground = Ground::with(&tables(""), &["B1"]).await;
    list(&ground, std::slice::from_ref(&paid)).await;
    ground.rounds(SECOND).await;
    list(&ground, std::slice::from_ref(&off)).await;
    ground.rounds(31 * SECOND).await;
    assert_eq!(known(&ground).await, ["1 OrderProcessing Filled"], "seen once");
    ground.rounds(31 * SECOND).await;
    assert_eq!(known(&ground).await, ["1 OrderCancelled Undone"]);
    ground.rounds(HOUR).await;
    assert_eq!(ground.status().await.orders_deferred, 0);
    // It is no longer there: it was the earlier one.
    let mut ground = Ground::with(&tables(""), &["B1"]).await;
    list(&ground, std::slice::from_ref(&paid)).await;
    ground.rounds(SECOND).await;
    list(&ground, std::slice::from_ref(&off)).await;
    ground.rounds(31 * SECOND).await;
    list(&ground, std::slice::from_ref(&paid)).await;
    ground.rounds(HOUR).await;
    assert_eq!(known(&ground).await, ["1 OrderProcessing Filled"]);
    assert_eq!(ground.status().await.orders_deferred, 0);
    assert!(OUT.contains("intake"));
}
