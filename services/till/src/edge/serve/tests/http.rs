//! HTTP/1 as other programs speak it (RFC 9110 and RFC 9112).

use super::ground::{Open, rest};
use crate::testing::TestShop;
use std::fmt::Write;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

#[tokio::test]
async fn every_way_to_ask_is_answered_in_order() {
    let shop = TestShop::open().await;
    let open = Open::new(&shop).await;
    let host = open.address;
    let check = async |request: String, expected: &str| {
        let answer = open.ask(&request).await;
        assert!(answer.starts_with(expected), "{}: {answer}", &request[..request.len().min(200)]);
        answer
    };
    // RFC 9112, 9.3 and 3.2.2; a client of HTTP/1.0 may name its Host.
    check(format!("GET /health/live HTTP/1.0\r\nHost: {host}\r\n\r\n"), "HTTP/1.0 200").await;
    check("GET /health/live HTTP/1.0\r\n\r\n".to_owned(), "HTTP/1.0 403").await;
    check(
        format!("GET http://{host}/health/live HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"),
        "HTTP/1.1 200",
    )
    .await;
    let foreign = "GET http://evil.example/ HTTP/1.1\r\nHost: ";
    check(format!("{foreign}{host}\r\nConnection: close\r\n\r\n"), "HTTP/1.1 403").await;
    check(open.request("TRACE /health/live", "", ""), "HTTP/1.1 405").await;
    check(open.request("OPTIONS *", "", ""), "HTTP/1.1 404").await;
    check(format!("CONNECT {host} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"), "HTTP/1.1 4")
        .await;
    // RFC 9112, 6.3: with an ambiguous length, a second request could be smuggled past a proxy.
    let both = "Transfer-Encoding: chunked\r\nAuthorization: x\r\n";
    let smuggled =
        check(open.request("POST /api/sales", both, "0\r\n\r\nGET / HTTP/1.1\r\n\r\n"), "HTTP/1.1 4").await;
    assert_eq!(smuggled.matches("HTTP/1.1 ").count(), 1, "{smuggled}");
    check(open.request("POST /api/sales", "Content-Length: 5\r\n", "{}"), "HTTP/1.1 400").await;
    check("\0\r\n\r\n".to_owned(), "HTTP/1.1 400").await;
    check(format!("GET / HTTP/1.1\r\nHost: {host}\r\nA B: c\r\n\r\n"), "HTTP/1.1 400").await;
    open.close().await;
}

#[tokio::test]
async fn heads_have_a_bound() {
    let shop = TestShop::open().await;
    let open = Open::new(&shop).await;
    let check = async |headers: String, expected: &str| {
        let answer = open.ask(&open.request("GET /health/live", &headers, "")).await;
        assert!(answer.starts_with(expected), "{} bytes: {answer}", headers.len());
    };
    let of = |bytes: usize| format!("X-Long: {}\r\n", "a".repeat(bytes));
    check(of(16 * 1024), "HTTP/1.1 200").await;
    check(of(40 * 1024), "HTTP/1.1 431").await;
    let many = |count: usize| {
        (0..count).fold(String::new(), |mut all, number| {
            // Writing to a String cannot fail.
            let _ = write!(all, "X-{number}: a\r\n");
            all
        })
    };
    check(many(90), "HTTP/1.1 200").await;
    check(many(110), "HTTP/1.1 431").await;
    let long = open.ask(&open.request(&format!("GET /{}", "a".repeat(40 * 1024)), "", "")).await;
    assert!(long.starts_with("HTTP/1.1 4"), "{long}");
    open.close().await;
}

#[tokio::test]
async fn bodies_come_in_chunks_and_after_a_word() {
    let shop = TestShop::open().await;
    let open = Open::new(&shop).await;
    let body = TestShop::cash_sale("COWL").to_string();
    let head = |more: &str, key: &str| {
        format!(
            "POST /api/sales HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nContent-Type: application/json\r\n\
             Idempotency-Key: {key}\r\nAuthorization: {}\r\n{more}\r\n",
            open.address,
            shop.bearer()
        )
    };
    let (first, second) = body.split_at(20);
    let chunks = format!("{:x}\r\n{first}\r\n{:x}\r\n{second}\r\n0\r\n\r\n", first.len(), second.len());
    let answer = open.ask(&(head("Transfer-Encoding: chunked\r\n", "k1") + &chunks)).await;
    assert!(answer.starts_with("HTTP/1.1 201"), "{answer}");
    // RFC 9110, 10.1.1: the body is asked for, but only once it is certain that it will be read.
    let expecting = format!("Expect: 100-continue\r\nContent-Length: {}\r\n", body.len());
    let mut connection = open.send(&head(&expecting, "k1")).await;
    let mut word = [0; 25];
    connection.read_exact(&mut word).await.expect("a word");
    assert_eq!(&word, b"HTTP/1.1 100 Continue\r\n\r\n");
    connection.write_all(body.as_bytes()).await.expect("sent");
    let answer = rest(&mut connection).await;
    assert!(answer.starts_with("HTTP/1.1 201") && answer.contains("answered-before"), "{answer}");
    let refused = head(&expecting, "k2").replace("Bearer ", "Bearer x");
    let answer = open.ask(&refused).await;
    assert!(answer.starts_with("HTTP/1.1 401"), "{answer}");
    open.close().await;
}

#[tokio::test]
async fn requests_that_come_together_are_answered_one_after_the_other() {
    let shop = TestShop::open().await;
    let open = Open::new(&shop).await;
    let host = open.address;
    let get = |path: &str, more: &str| format!("GET {path} HTTP/1.1\r\nHost: {host}\r\n{more}\r\n");
    let all =
        get("/health/live", "") + &get("/api/nowhere", "") + &get("/health/ready", "Connection: close\r\n");
    let answers = open.ask(&all).await;
    let statuses: Vec<&str> =
        answers.split("HTTP/1.1 ").skip(1).filter_map(|answer| answer.get(..3)).collect();
    assert_eq!(statuses, ["200", "404", "200"], "{answers}");
    // A client that has sent everything and closed its half is answered or hung up on, and occupies no slot.
    let mut connection = open.send(&get("/health/live", "Connection: close\r\n")).await;
    connection.shutdown().await.expect("half closed");
    let answer = rest(&mut connection).await;
    assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 200"), "{answer}");
    open.close().await;
}
