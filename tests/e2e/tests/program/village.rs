//! The demo next to its pretend online shop: what it promises to a newcomer.

use e2e::program::{At, ask, places};
use serde_json::{Value, json};
use std::time::{Duration, Instant};

/// How long the demo may take to send everything to the shop, on a busy machine without optimization.
const ALL_TOLD: Duration = Duration::from_secs(90);
/// Within this time, changes on one side must be visible on the other.
const SEEN: Duration = Duration::from_secs(1);

/// Asks again until the condition holds; returns how long that took.
fn until(patience: Duration, what: &str, mut is_so: impl FnMut() -> bool) -> Duration {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < patience, "{what}: not within {patience:?}");
        std::thread::sleep(Duration::from_millis(10));
    }
    begun.elapsed()
}

fn get(at: &At, path: &str) -> Value {
    let answer = ask(at, "GET", path, "", "").unwrap();
    assert_eq!(answer.status, 200, "{path}: {}", answer.text);
    answer.json()
}

fn listed(online: &At) -> usize {
    let pages = get(online, "/intake")["pages"].as_u64().unwrap();
    let count = |page| get(online, &format!("/intake?page={page}"))["listings"].as_array().unwrap().len();
    (1..=pages).map(count).sum()
}

/// How many of an item the online shop shows.
fn online_has(online: &At, sku: &str) -> String {
    let answer = ask(online, "GET", &format!("/intake/{sku}"), "", "").unwrap();
    if answer.status == 404 { "0".to_owned() } else { answer.json()["count"].as_str().unwrap().to_owned() }
}

#[test]
fn a_piece_sold_at_the_counter_vanishes_online_and_an_order_comes_off_the_shelf() {
    let place = places().remove(0);
    let (demo, online) = place.demo();
    let (mut last, mut since) = (0, Instant::now());
    until(ALL_TOLD, "all that is on the shelf is listed", || {
        let count = listed(&online);
        if count != last {
            (last, since) = (count, Instant::now());
        }
        count > 0 && since.elapsed() > SEEN
    });
    let page = get(&online, "/intake?page=1");
    let pieces: Vec<&str> = page["listings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|one| one["count"] == "1" && one["unit"] == "C62")
        .map(|one| one["sku"].as_str().unwrap())
        .collect();
    let [sold, ordered, ..] = pieces.as_slice() else { panic!("no two pieces: {page}") };

    let sale = json!({"channel": "store", "lines": [{"sku": sold, "quantity": "1"}],
        "tenders": [{"kind": "cash", "amount": "999.00"}]});
    let answer = ask(&demo.at, "POST", "/api/sales", "village-1", &sale.to_string()).unwrap();
    assert_eq!(answer.status, 201, "{}", answer.text);
    let took = until(SEEN, "the piece vanishes online", || online_has(&online, sold) == "0");
    println!("sold at the counter, gone online after {took:?}");

    let answer = order(&online, ordered);
    assert!(answer.starts_with("HTTP/1.1 303"), "{answer}");
    let path = format!("/api/items/{ordered}");
    let took = until(SEEN, "the order comes off the shelf", || get(&demo.at, &path)["onHand"] == "0");
    println!("ordered online, off the shelf after {took:?}");

    // Whoever is too late is told so, on either side.
    assert!(order(&online, sold).starts_with("HTTP/1.1 409"));
    let sale = sale.to_string().replace(sold, ordered);
    assert_eq!(ask(&demo.at, "POST", "/api/sales", "village-2", &sale).unwrap().status, 409);
    demo.kill();
    place.must_be_sound();
}

/// Presses the button next to an item: a form, as a browser sends it. Returns the head of the answer.
fn order(online: &At, sku: &str) -> String {
    use std::io::{Read, Write};
    let body = format!("sku={sku}&count=1&name=Newcomer");
    let mut stream = std::net::TcpStream::connect(online.address).unwrap();
    let head = "Connection: close\r\nContent-Type: application/x-www-form-urlencoded";
    write!(
        stream,
        "POST /order HTTP/1.1\r\nHost: {}\r\n{head}\r\nContent-Length: {}\r\n\r\n{body}",
        online.address,
        body.len()
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}
