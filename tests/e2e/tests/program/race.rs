//! Law 2 from outside: counters, orders and files compete for the last piece.

use e2e::program::{ask, places};
use std::sync::Barrier;

const COUNTERS: usize = 24;

#[test]
fn the_last_piece_is_sold_once_whoever_asks() {
    for place in places() {
        let items = place.file("items.csv", "name,sku,offers.price,cost\nRidge beanie,ONLY,48.00,15.00\n");
        place.must(&["shop", "set", "name", "Race test"]);
        place.must(&["add", "items", items.to_str().unwrap()]);
        let order = place.file(
            "order.csv",
            "orderNumber,orderDate,sku,orderQuantity,price\nH-1,2026-01-05,ONLY,1,48.00\n",
        );
        // Two processes on one database, as with counters on two machines.
        let (one, two) = (place.serve(), place.serve());
        let start = Barrier::new(COUNTERS + 1);
        let answers = std::thread::scope(|scope| {
            let counters: Vec<_> = (0..COUNTERS)
                .map(|who| {
                    let at = if who % 2 == 0 { &one.at } else { &two.at };
                    let start = &start;
                    scope.spawn(move || {
                        let body = r#"{"channel":"store","lines":[{"sku":"ONLY","quantity":"1"}],"tenders":[{"kind":"card","amount":"48.00"}]}"#;
                        start.wait();
                        ask(at, "POST", "/api/sales", &format!("race-{who}"), body).unwrap()
                    })
                })
                .collect();
            start.wait();
            place.must(&["feed", "in", order.to_str().unwrap()]);
            counters.into_iter().map(|c| c.join().unwrap()).collect::<Vec<_>>()
        });
        let won = answers.iter().filter(|a| a.status == 201).count();
        let orders = place.must(&["books", "--by", "channel", "--format", "csv"]);
        let by_order = usize::from(orders.lines().any(|l| l.starts_with("online,1,1,")));
        assert_eq!(won + by_order, 1, "{}: {orders}", place.ground.url);
        for lost in answers.iter().filter(|a| a.status != 201) {
            assert_eq!(lost.status, 409, "{}", lost.text);
            let told = lost.json();
            assert_eq!(told["type"], "/problems/already-sold", "{told}");
            assert!(told["detail"].as_str().is_some_and(|d| d.contains("already sold on")), "{told}");
        }
        one.kill();
        two.kill();
        place.must_be_sound();
    }
}
