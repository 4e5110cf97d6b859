//! Slow clients.

use super::ground::{Open, PATIENCE, SHORT, paced, rest};
use crate::testing::TestShop;
use crate::traffic::limits::{Limits, Pace};
use serde_json::json;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// A sale by a program, on its own connection.
fn sale(open: &Open, shop: &TestShop, key: usize) -> String {
    let headers = format!(
        "Content-Type: application/json\r\nIdempotency-Key: k{key}\r\nAuthorization: {}\r\n",
        shop.bearer()
    );
    open.request("POST /api/sales", &headers, &TestShop::cash_sale("SPINDLE").to_string())
}

/// The header of a stranger's form, and the first letters of its body.
fn slow(open: &Open, path: &str) -> String {
    format!(
        "POST {path} HTTP/1.1\r\nHost: {}\r\nCookie: fleecefold-before=abc\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\na=",
        open.address
    )
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn three_hundred_slow_bodies_do_not_close_the_shop() {
    const SALES: usize = 315;
    let shop = TestShop::open().await.with_connection_adapter();
    let more = json!({"more": "400"});
    let stocked = shop.post("/api/items/SPINDLE/stock", "more", more).await;
    assert_eq!(stocked.status, 200, "{}", stocked.text());
    let open = Open::new(&shop).await;
    let mut strangers = Vec::new();
    for number in 0..300 {
        let path = if number % 2 == 0 { "/sign-in" } else { "/hooks/village" };
        strangers.push(open.send(&slow(&open, path)).await);
    }
    // Sixteen tills at once, each ringing up one sale after another.
    let mut tills = tokio::task::JoinSet::new();
    let (address, bearer) = (open.address, shop.clone());
    for till in 0..16 {
        let requests: Vec<String> =
            (till..SALES).step_by(16).map(|number| sale(&open, &bearer, number)).collect();
        tills.spawn(async move {
            let mut answers = Vec::new();
            for request in requests {
                let mut connection = TcpStream::connect(address).await.expect("a connection");
                connection.write_all(request.as_bytes()).await.expect("sent");
                answers.push(rest(&mut connection).await);
            }
            answers
        });
    }
    let answers = tills.join_all().await.concat();
    let made = answers.iter().filter(|answer| answer.starts_with("HTTP/1.1 201")).count();
    let other = answers.iter().find(|answer| !answer.starts_with("HTTP/1.1 201"));
    assert_eq!((made, answers.len()), (SALES, SALES), "{other:?}");
    // Known callers have limits of their own.
    assert!(open.ask(&open.request("GET /sign-in", "", "")).await.starts_with("HTTP/1.1 303"));
    assert_eq!(strangers.len(), 300);
    drop(strangers);
    open.close().await;
}

#[tokio::test]
async fn a_body_that_does_not_come_is_given_up_in_words() {
    let shop = TestShop::open().await;
    let pace = Pace { first: SHORT, bytes_a_second: 1000, longest: PATIENCE };
    let open = Open::limited(&shop, paced(pace)).await;
    let began = Instant::now();
    let page = open.ask(&slow(&open, "/sign-in")).await;
    assert!(page.starts_with("HTTP/1.1 408") && page.contains("too slowly"), "{page}");
    assert!(began.elapsed() >= SHORT && began.elapsed() < PATIENCE / 2, "{:?}", began.elapsed());
    // The same for a known caller; nothing was done, and the key is unused.
    let whole = sale(&open, &shop, 1);
    let answer = open.ask(&whole[..whole.len() - 10]).await;
    assert!(answer.starts_with("HTTP/1.1 408") && answer.contains("/problems/too-slow"), "{answer}");
    assert!(open.ask(&whole).await.starts_with("HTTP/1.1 201"));
    assert_eq!(shop.get("/api/sales").await.json()["sales"].as_array().map(Vec::len), Some(1));
    open.close().await;
}

#[tokio::test]
async fn a_body_that_drips_is_given_up_and_one_that_flows_is_not() {
    let shop = TestShop::open().await;
    let pace = Pace { first: SHORT, bytes_a_second: 1000, longest: PATIENCE };
    let open = Open::limited(&shop, paced(pace)).await;
    let whole = sale(&open, &shop, 1);
    let (head, body) = whole.split_at(whole.find("\r\n\r\n").expect("a head") + 4);
    let drip = async |part: usize, every: Duration| {
        let mut connection = open.send(head).await;
        for part in body.as_bytes().chunks(part) {
            tokio::time::sleep(every).await;
            if connection.write_all(part).await.is_err() {
                break;
            }
        }
        rest(&mut connection).await
    };
    // Some hundred bytes in all: one per 50 ms is too slow, twenty per 10 ms are fast enough.
    let dripped = drip(1, Duration::from_millis(50)).await;
    assert!(dripped.is_empty() || dripped.starts_with("HTTP/1.1 408"), "{dripped}");
    assert!(drip(20, Duration::from_millis(10)).await.starts_with("HTTP/1.1 201"));
    open.close().await;
}

#[tokio::test]
async fn who_does_not_say_what_they_want_is_hung_up_on() {
    let shop = TestShop::open().await;
    let open = Open::limited(&shop, Limits { head: SHORT, ..Limits::default() }).await;
    let check = |text: &'static str| {
        let open = &open;
        async move {
            let began = Instant::now();
            assert_eq!(open.ask(text).await, "", "{text}");
            assert!(began.elapsed() >= SHORT && began.elapsed() < PATIENCE / 2, "{:?}", began.elapsed());
        }
    };
    check("").await;
    check("GET /health/live HTTP/1.1\r\nHost:").await;
    // A letter now and then does not help.
    let mut connection = open.send("GET /health/live HTTP/1.1\r\n").await;
    let began = Instant::now();
    while began.elapsed() < PATIENCE && connection.write_all(b"a").await.is_ok() {
        tokio::time::sleep(SHORT / 5).await;
    }
    assert!(began.elapsed() < PATIENCE / 2, "{:?}", began.elapsed());
    open.close().await;
}

#[tokio::test]
async fn a_connection_may_lie_idle_between_two_requests_for_a_while() {
    let shop = TestShop::open().await;
    let limits = Limits { head: SHORT, idle: 5 * SHORT, ..Limits::default() };
    let open = Open::limited(&shop, limits).await;
    let live = format!("GET /health/live HTTP/1.1\r\nHost: {}\r\n\r\n", open.address);
    let mut connection = open.send(&live).await;
    let mut answer = vec![0; 4096];
    for _ in 0..2 {
        let length = connection.read(&mut answer).await.expect("an answer");
        assert!(answer[..length].starts_with(b"HTTP/1.1 200"));
        // Longer than a header may take: its time starts with its first byte.
        tokio::time::sleep(2 * SHORT).await;
        connection.write_all(live.as_bytes()).await.expect("sent");
    }
    let length = connection.read(&mut answer).await.expect("an answer");
    assert!(answer[..length].starts_with(b"HTTP/1.1 200"));
    let began = Instant::now();
    assert_eq!(rest(&mut connection).await, "");
    assert!(began.elapsed() >= 4 * SHORT && began.elapsed() < PATIENCE / 2, "{:?}", began.elapsed());
    // The header of a later request has no more time than the first one's.
    let mut connection = open.send(&live).await;
    assert!(connection.read(&mut answer).await.expect("an answer") > 0);
    connection.write_all(b"GET /health").await.expect("sent");
    let began = Instant::now();
    assert_eq!(rest(&mut connection).await, "");
    assert!(began.elapsed() >= SHORT && began.elapsed() < 4 * SHORT, "{:?}", began.elapsed());
    open.close().await;
}

#[tokio::test]
async fn who_reads_nothing_of_an_answer_is_hung_up_on() {
    let shop = TestShop::open().await;
    let open = Open::limited(&shop, Limits { stall: SHORT, connections: 1, ..Limits::default() }).await;
    // Far more answers than fit into the system's buffers, and nobody reads them.
    let ask = format!("GET /api/openapi.json HTTP/1.1\r\nHost: {}\r\n\r\n", open.address);
    let mut deaf = open.send("").await;
    let asked = ask.repeat(400);
    let _ = tokio::time::timeout(PATIENCE / 4, deaf.write_all(asked.as_bytes())).await;
    // There is one slot: it is free once the client that reads nothing is gone.
    let live = open.request("GET /health/live", "", "");
    assert!(open.ask(&live).await.starts_with("HTTP/1.1 200"));
    drop(deaf);
    open.close().await;
}

#[tokio::test]
async fn a_hook_to_nobody_is_refused_before_it_is_read() {
    let shop = TestShop::open().await.with_connection_adapter();
    let open = Open::new(&shop).await;
    let began = Instant::now();
    // Only two of its thousand bytes are ever sent.
    let answer = open.ask(&slow(&open, "/hooks/nowhere")).await;
    assert!(answer.starts_with("HTTP/1.1 404"), "{answer}");
    assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
    open.close().await;
}
