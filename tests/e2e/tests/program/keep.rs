//! Backing up an open shop, and restoring it on the other engine.

use e2e::program::{ask, places};
use std::sync::atomic::{AtomicBool, Ordering};

#[test]
fn a_backup_of_an_open_shop_restores_on_the_other_engine() {
    let (from, to) = (places(), places());
    // Each engine's shop is restored into the other's place: SQLite's into PostgreSQL, and the reverse.
    for (place, target) in from.iter().zip(to.iter().rev()) {
        let items =
            place.file("items.csv", "name,sku,kind,quantity,offers.price\nCards,CARD,counted,500,4.00\n");
        place.must(&["shop", "set", "name", "Backup test"]);
        place.must(&["add", "items", items.to_str().unwrap()]);
        let served = place.serve();
        let done = AtomicBool::new(false);
        let file = place.ground.path("kept.backup");
        let file = file.to_str().unwrap();
        std::thread::scope(|scope| {
            scope.spawn(|| {
                for number in 0..200 {
                    if done.load(Ordering::SeqCst) {
                        return;
                    }
                    let body = r#"{"channel":"store","lines":[{"sku":"CARD","quantity":"1"}],"tenders":[{"kind":"cash","amount":"5.00"}]}"#;
                    let answer = ask(&served.at, "POST", "/api/sales", &format!("k-{number}"), body).unwrap();
                    assert_eq!(answer.status, 201, "{}", answer.text);
                }
            });
            place.must(&["backup", file]);
            done.store(true, Ordering::SeqCst);
        });
        served.kill();
        target.must(&["restore", file]);
        target.must_be_sound();
        let again = target.run(&["restore", file]);
        assert_eq!(again.status.code(), Some(1), "a restore overwrites nothing: {again:?}");
        let name = target.must(&["shop", "show"]);
        assert!(name.contains("Backup test"), "{name}");
        let (kept, all) = (
            sales(&target.must(&["books", "--by", "channel", "--format", "csv"])),
            sales(&place.must(&["books", "--by", "channel", "--format", "csv"])),
        );
        assert!(kept <= all, "the backup is a moment of the shop: {kept} of {all} sales");
    }
}

fn sales(books: &str) -> u32 {
    books.lines().skip(1).filter_map(|l| l.split(',').nth(1)?.parse::<u32>().ok()).sum()
}
