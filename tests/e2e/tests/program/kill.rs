//! Law 7 from outside: SIGKILL in the middle of sales and imports. Afterwards everything that was acknowledged
//! is there, what was not is there once or not at all, and `check` finds nothing.

use e2e::program::{Place, ask, places};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

const STOCK: i64 = 5000;
const COUNTERS: usize = 4;
/// When each round's process is killed, counted from the start of its counters.
const KILLED_AFTER_MS: [u64; 4] = [40, 150, 330, 610];

fn sale(who: usize) -> String {
    format!(
        r#"{{"channel":"store","lines":[{{"sku":"KIT","quantity":"1"}}],"tenders":[{{"kind":"cash","amount":"12.00"}}],"note":"counter {who}"}}"#
    )
}

/// A request and its answer, if there was one.
#[derive(Clone, Debug)]
struct Rung {
    key: String,
    who: usize,
    receipt: Option<i64>,
}

#[test]
fn no_acknowledged_sale_is_lost_and_none_is_made_twice() {
    for place in places() {
        let items = format!("name,sku,kind,quantity,offers.price\nLoom kit,KIT,counted,{STOCK},12.00\n");
        let items = place.file("items.csv", &items);
        place.must(&["shop", "set", "name", "Kill test"]);
        place.must(&["add", "items", items.to_str().unwrap()]);
        let mut rung = Vec::new();
        for (round, after) in KILLED_AFTER_MS.into_iter().enumerate() {
            rung.extend(ring_until_killed(&place, round, after));
        }
        let served = place.serve();
        for sale_made in &mut rung {
            // Sent again with the same key: acknowledged ones return the same receipt, the others are booked
            // now or already were.
            let again = ask(&served.at, "POST", "/api/sales", &sale_made.key, &sale(sale_made.who)).unwrap();
            assert_eq!(again.status, 201, "{}", again.text);
            let receipt = receipt(&again.text);
            if let Some(acknowledged) = sale_made.receipt {
                assert_eq!(
                    receipt, acknowledged,
                    "{}: an acknowledged sale came back as another",
                    place.ground.url
                );
            }
            sale_made.receipt = Some(receipt);
        }
        let mut receipts: Vec<i64> = rung.iter().filter_map(|r| r.receipt).collect();
        receipts.sort_unstable();
        let expected: Vec<i64> = (1..).take(receipts.len()).collect();
        assert_eq!(receipts, expected, "each request is one sale, and receipts are consecutive");
        let item = ask(&served.at, "GET", "/api/items/KIT", "", "").unwrap().json();
        let left = STOCK - i64::try_from(receipts.len()).unwrap();
        assert_eq!(item["onHand"], left.to_string(), "{item}");
        served.kill();
        place.must_be_sound();
    }
}

fn receipt(text: &str) -> i64 {
    let value: serde_json::Value = serde_json::from_str(text).unwrap();
    value["receipt"].as_str().and_then(|r| r.parse().ok()).unwrap_or_else(|| panic!("no receipt in {text}"))
}

/// Four counters ring up as fast as they can until the process is killed.
fn ring_until_killed(place: &Place, round: usize, after: u64) -> Vec<Rung> {
    let served = place.serve();
    let at = served.at.clone();
    let (dead, all) = (AtomicBool::new(false), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for who in 0..COUNTERS {
            let (at, dead, all) = (&at, &dead, &all);
            scope.spawn(move || {
                for number in 0.. {
                    if dead.load(Ordering::SeqCst) {
                        return;
                    }
                    let key = format!("{round}-{who}-{number}");
                    let answer = ask(at, "POST", "/api/sales", &key, &sale(who));
                    let receipt = match &answer {
                        Ok(answer) if answer.status == 201 => Some(receipt(&answer.text)),
                        Ok(other) => panic!("{}: {}", other.status, other.text),
                        Err(_) => None,
                    };
                    all.lock().unwrap().push(Rung { key, who, receipt });
                    if receipt.is_none() {
                        return;
                    }
                }
            });
        }
        std::thread::sleep(Duration::from_millis(after));
        served.kill();
        dead.store(true, Ordering::SeqCst);
    });
    let rung = all.into_inner().unwrap();
    assert!(!rung.is_empty(), "nothing was rung up before the kill");
    rung
}

#[test]
fn an_import_that_was_killed_goes_on_and_ends_the_same() {
    use std::fmt::Write;
    let mut history = String::from("orderNumber,orderDate,name,orderQuantity,price\n");
    for number in 0..6000 {
        let month = number % 12 + 1;
        writeln!(history, "A-{number},2025-{month:02}-10,Cowl,1,10.00").unwrap();
        writeln!(history, "A-{number},2025-{month:02}-10,Cards,2,3.50").unwrap();
    }
    for place in places() {
        let file = place.file("history.csv", &history);
        let file = file.to_str().unwrap();
        place.must(&["shop", "set", "name", "Import test"]);
        for after in [30, 120, 300, 700] {
            let mut child = place.command(&["feed", "in", "--past", file]).spawn().unwrap();
            std::thread::sleep(Duration::from_millis(after));
            child.kill().unwrap();
            child.wait().unwrap();
            place.must_be_sound();
        }
        place.must(&["feed", "in", "--past", file]);
        place.must_be_sound();
        let books = place.must(&["books", "--by", "channel", "--format", "csv"]);
        let row = books.lines().nth(1).unwrap_or_default();
        assert!(row.starts_with("online,6000,18000,0.00,102000.00,"), "{books}");
    }
}

#[test]
fn items_that_were_cut_off_are_added_once() {
    use std::fmt::Write;
    let mut items = String::from("name,sku,kind,quantity,offers.price\n");
    for number in 0..4000 {
        writeln!(items, "Card {number},C-{number},counted,3,4.00").unwrap();
    }
    for place in places() {
        let file = place.file("items.csv", &items);
        let file = file.to_str().unwrap();
        place.must(&["shop", "set", "name", "Add test"]);
        for after in [40, 150, 400] {
            let mut child = place.command(&["add", "items", file]).spawn().unwrap();
            std::thread::sleep(Duration::from_millis(after));
            child.kill().unwrap();
            child.wait().unwrap();
        }
        place.must(&["add", "items", file]);
        place.must_be_sound();
        let shelf = place.must(&["shelf", "--format", "csv"]);
        assert_eq!(shelf.lines().count(), 4001, "each item once");
    }
}
