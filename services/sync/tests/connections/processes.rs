//! Several processes with one shop, and what goes with every request.

use crate::ground::{Ground, LIMITS, OUT, SECOND, ok};
use std::collections::HashMap;
use std::sync::Arc;
use std::time::{Duration, Instant};
use sync::connections::{SyncCycle, When, serve};
use wiremock::matchers::{any, path};
use wiremock::{Mock, ResponseTemplate};

/// Items about which two processes send messages at the same time.
const ITEMS: usize = 60;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_processes_tell_each_item_once() {
    let mut ground = Ground::with(OUT, &[]).await;
    for at in 0..ITEMS {
        ground.piece(&format!("B{at}")).await;
    }
    ground.answer(ok().set_delay(Duration::from_millis(5))).await;
    // Creates the messages for the whole shelf before both begin.
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    while ground.ledger.execute(None, &ledger::online::FillConnection { connection }).await.unwrap().answer {}
    let (ledger, live) = ground.another().await;
    let other = tokio::spawn(async move { SyncCycle::run(&ledger, &live, 7).await.unwrap() });
    ground.round().await;
    other.await.unwrap();
    ground.rounds(SECOND).await;
    let mut told: HashMap<String, usize> = HashMap::new();
    for asked in ground.asked().await {
        *told.entry(asked).or_default() += 1;
    }
    assert_eq!(told.len(), ITEMS);
    assert!(told.values().all(|times| *times == 1), "{told:?}");
    assert_eq!(ground.counts().await, format!("{ITEMS} 0 0 0 0"));
}

#[tokio::test]
async fn what_a_dead_process_had_in_hand_is_said_once_its_lease_is_over() {
    let mut ground = Ground::with(OUT, &["B1"]).await;
    ground.answer(ok()).await;
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    let (dead, _) = ground.another().await;
    let holder = dead.new_holder().unwrap();
    let claim = ledger::online::ClaimMessages { connection, holder, limit: 10, after: None };
    assert_eq!(dead.execute(None, &claim).await.unwrap().answer.len(), 1);
    assert_eq!(ground.round().await, Some(60 * SECOND), "the lease's end");
    assert_eq!(ground.asked().await, Vec::<String>::new());
    ground.wait(60 * SECOND);
    ground.round().await;
    assert_eq!(ground.asked().await, ["PUT /intake/B1 InStock"]);
}

#[tokio::test]
async fn the_secret_goes_with_each_request_and_is_read_anew() {
    let check = async |table: &str, header: &str, first: &str, second: &str, secrets: [&str; 2]| {
        let mut ground = Ground::with(&format!("{table}{OUT}"), &["B1"]).await;
        ground.secret("village", secrets[0]);
        ground.answer(ok()).await;
        ground.rounds(SECOND).await;
        assert_eq!(ground.requests().await[0].headers[header], first, "{table}");
        ground.secret("village", secrets[1]);
        ground.answer(ok()).await;
        ground.sell("B1").await;
        ground.rounds(SECOND).await;
        assert_eq!(ground.requests().await[0].headers[header], second, "{table}");
    };
    let table = "[secret]\nname = \"village\"\n";
    check(table, "authorization", "Bearer one", "Bearer two", ["one", "two\n"]).await;
    // RFC 7617, 2: user Aladdin, password “open sesame”.
    let basic = format!("{table}as = \"basic\"\n");
    let (first, second) = ("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", "Basic YTpi");
    check(&basic, "authorization", first, second, ["Aladdin:open sesame", "a:b"]).await;
    let header = format!("{table}as = \"header\"\nheader = \"X-Key\"\n");
    check(&header, "x-key", "one", "two", ["one", "two"]).await;
}

#[tokio::test]
async fn a_missing_secret_makes_the_connection_wait_and_say_why() {
    let mut ground = Ground::with(&format!("[secret]\nname = \"village\"\n{OUT}"), &["B1"]).await;
    ground.answer(ResponseTemplate::new(200)).await;
    assert_eq!(ground.round().await, Some(30 * SECOND));
    let status = ground.status().await;
    assert!(status.last_trouble.contains("there is no secret “village”"), "{}", status.last_trouble);
    assert_eq!(ground.asked().await, Vec::<String>::new());
    ground.secret("village", "one");
    ground.wait(30 * SECOND);
    ground.round().await;
    assert_eq!(ground.asked().await, ["PUT /intake/B1 InStock"]);
    assert!(LIMITS.whole < domain::delivery::LEASE);
    let (ledger, live) = ground.another().await;
    assert_eq!(SyncCycle::run(&ledger, &live, 1).await.unwrap(), When::At(fill_due(&ground).await));
}

/// When the shelf is gone through again.
async fn fill_due(ground: &Ground) -> domain::day::Moment {
    let connection = ground.ledger.live_connections().await.unwrap()[0].id;
    ground.ledger.messages_due(connection).await.unwrap().fill.unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn while_it_serves_a_change_is_told_at_once_and_a_slow_list_holds_nothing_up() {
    let tables = format!("{OUT}[orders]\nfrom = \"/orders\"\nevery = \"5s\"\n");
    let ground = Ground::with(&tables, &["B1"]).await;
    let slow =
        ResponseTemplate::new(200).set_body_raw("[]", "application/json").set_delay(Duration::from_secs(1));
    Mock::given(path("/orders")).respond_with(slow).mount(&ground.server).await;
    Mock::given(any()).respond_with(ok()).mount(&ground.server).await;
    let (ledger, live) = ground.another().await;
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let serving = tokio::spawn(serve(ledger.clone(), Arc::new(live), 1, async move {
        let _ = stopped.await;
    }));
    let told = async |expected: &str| {
        let began = Instant::now();
        while !ground.asked().await.iter().any(|a| a == expected) {
            assert!(began.elapsed() < Duration::from_secs(10), "{expected}: {:?}", ground.asked().await);
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        began.elapsed()
    };
    told("PUT /intake/B1 InStock").await;
    told("GET /orders").await;
    // Sold through the serving ledger while the list is still being received.
    let sale = testkit::make::sell(&ledger, "B1").await;
    let took = told("PUT /intake/B1 SoldOut").await;
    assert!(took < Duration::from_millis(900), "{took:?}");
    // Another process's change is noticed by polling.
    ground.take_back(&sale).await;
    ground.server.reset().await;
    ground.answer(ok()).await;
    told("PUT /intake/B1 InStock").await;
    stop.send(()).unwrap();
    tokio::time::timeout(Duration::from_secs(2), serving).await.expect("it ends when told").unwrap();
}
