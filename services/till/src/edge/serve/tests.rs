//! Serving over real connections.

mod accept;
mod ground;
mod http;
mod slow;

use super::*;
use crate::testing::TestShop;
use ground::listener;
use serde_json::json;
use std::net::Ipv4Addr;
use std::time::Instant;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::oneshot;

/// Sends a request and reads until the server closes the connection.
async fn ask(address: SocketAddr, request: &str) -> String {
    let mut connection = TcpStream::connect(address).await.expect("a connection");
    connection.write_all(request.as_bytes()).await.expect("sent");
    let mut answer = String::new();
    connection.read_to_string(&mut answer).await.expect("an answer");
    answer
}

#[tokio::test]
async fn only_loopback_is_served() {
    let shop = TestShop::open().await;
    let listener = TcpListener::bind((Ipv4Addr::UNSPECIFIED, 0)).await.expect("a port");
    let refused = serve(listener, shop.app.clone(), std::future::pending()).await.expect_err("refused");
    assert!(matches!(refused, ServeError::NotLoopback { .. }));
    assert!(refused.to_string().contains("--site"), "{refused}");
}

#[tokio::test]
async fn the_port_that_is_served_is_the_port_that_is_answered() {
    let shop = TestShop::open().await;
    let listener = listener().await;
    let address = listener.local_addr().expect("an address");
    let (stop, stopped) = oneshot::channel::<()>();
    let server = tokio::spawn(serve(listener, shop.app.clone(), async move {
        let _ = stopped.await;
    }));
    let check = |host: String, status: &'static str| async move {
        let answer =
            ask(address, &format!("GET /health/ready HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"))
                .await;
        assert!(answer.starts_with(&format!("HTTP/1.1 {status}")), "{host}: {answer}");
    };
    let port = address.port();
    check(format!("127.0.0.1:{port}"), "200").await;
    check(format!("localhost:{port}"), "200").await;
    check("localhost".to_owned(), "403").await;
    check(format!("evil.example:{port}"), "403").await;
    stop.send(()).expect("still serving");
    server.await.expect("no panic").expect("a clean end");
    assert!(TcpStream::connect(address).await.is_err());
}

#[tokio::test]
async fn a_request_under_way_ends_before_the_program_does() {
    let shop = TestShop::open().await;
    let listener = listener().await;
    let address = listener.local_addr().expect("an address");
    let (stop, stopped) = oneshot::channel::<()>();
    let server = tokio::spawn(serve(listener, shop.app.clone(), async move {
        let _ = stopped.await;
    }));
    let body = TestShop::cash_sale("COWL").to_string();
    let (first, rest) = body.split_at(20);
    let head = format!(
        "POST /api/sales HTTP/1.1\r\nHost: {address}\r\nContent-Type: application/json\r\nIdempotency-Key: k1\r\n\
         Authorization: {}\r\nContent-Length: {}\r\n\r\n{first}",
        shop.bearer(),
        body.len()
    );
    let mut connection = TcpStream::connect(address).await.expect("a connection");
    connection.write_all(head.as_bytes()).await.expect("sent");
    // The header was certainly read once another request has been answered.
    ask(address, &format!("GET /health/live HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n")).await;
    stop.send(()).expect("still serving");
    tokio::time::sleep(Duration::from_millis(50)).await;
    assert!(!server.is_finished());
    connection.write_all(rest.as_bytes()).await.expect("sent");
    let mut answer = String::new();
    connection.read_to_string(&mut answer).await.expect("an answer");
    assert!(answer.starts_with("HTTP/1.1 201"), "{answer}");
    server.await.expect("no panic").expect("a clean end");
}

#[tokio::test]
async fn a_request_that_does_not_end_is_given_up() {
    let shop = TestShop::open().await;
    let listener = listener().await;
    let address = listener.local_addr().expect("an address");
    let mut connection = TcpStream::connect(address).await.expect("a connection");
    connection
        .write_all(format!("POST /api/sales HTTP/1.1\r\nHost: {address}\r\n").as_bytes())
        .await
        .expect("sent");
    tokio::time::pause();
    let began = tokio::time::Instant::now();
    let shutdown = tokio::time::sleep(Duration::from_millis(100));
    serve(listener, shop.app.clone(), shutdown).await.expect("an end");
    assert!(began.elapsed() <= LAST_REQUESTS + Duration::from_secs(1), "{:?}", began.elapsed());
}

#[tokio::test]
async fn holds_that_ran_out_are_swept() {
    let shop = TestShop::open().await;
    let hold = json!({"for": "basket", "lines": [{"sku": "COWL", "quantity": "1"}, {"sku": "HAT", "quantity": "1"}]});
    assert_eq!(shop.post("/api/holds", "h1", hold).await.status, 201);
    sweep_once(&shop.app).await.expect("a sweep");
    assert_eq!(shop.get("/api/items/COWL").await.json()["held"], "1");
    shop.advance_millis(ledger::shelf::BASKET_MS);
    let began = Instant::now();
    let listener = listener().await;
    let helper = tokio::spawn(serve(listener, shop.app.clone(), std::future::pending()));
    while !shop.app.meters.render().contains("fleecefold_holds_swept_total 2") {
        assert!(began.elapsed() < SWEEP_EVERY, "the first sweep is at the start");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    helper.abort();
    for sku in ["COWL", "HAT"] {
        assert_eq!(shop.get(&format!("/api/items/{sku}")).await.json()["held"], "0");
    }
}
