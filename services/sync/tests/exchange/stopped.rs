//! A file whose import stops in the middle: what is reported, and that importing it again succeeds.

use ledger::books::{BooksBy, BooksQuery};
use ledger::{Access, Ledger, SystemClock};
use std::fmt::Write;
use std::sync::Arc;
use sync::exchange::{AddRun, IntakeError, OrdersRun, add_items, feed_in};
use sync::{Given, Watch};
use testkit::SmallDisk;

const ORDERS: usize = 45_000;
const ITEMS: usize = 30_000;

fn orders() -> String {
    let mut text = "orderNumber,orderDate,name,orderQuantity,price\n".to_owned();
    for number in 0..ORDERS {
        writeln!(text, "{number},2026-05-{:02},Old shawl,1,2.00", number % 28 + 1).unwrap();
    }
    text
}

fn items() -> String {
    let mut text = "name,sku,offers.price\n".to_owned();
    for number in 0..ITEMS {
        writeln!(text, "Cowl {number},K{number},48.00").unwrap();
    }
    text
}

async fn gross(ledger: &Ledger) -> String {
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    ledger.books(&query).await.unwrap()[0].figures.gross.to_string()
}

#[tokio::test]
async fn a_run_that_meets_a_full_disk_says_how_far_it_came_and_is_fed_again() {
    let Some(disk) = SmallDisk::mount(160) else { return };
    let url = format!("sqlite:{}", disk.path().join("shop.db").display());
    let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("history.csv");
    std::fs::write(&path, orders()).unwrap();
    let given = Given::file(&path).unwrap();
    let run = || OrdersRun {
        given: &given,
        layout: None,
        past: true,
        dry_run: false,
        who: "test",
        watch: Watch::new(),
    };
    disk.fill(14 << 20);
    let stopped = feed_in(&ledger, &run()).await.expect_err("the disk is full");
    let words = stopped.to_string();
    assert!(matches!(stopped, IntakeError::Stopped { .. }), "{words}");
    assert!(words.contains("orders taken, 0 known") && words.contains("can be taken in again"), "{words}");
    disk.make_room();
    let again = feed_in(&ledger, &run()).await.expect("there is room");
    assert!(again.taken > 0 && again.known > 0, "{again}");
    assert_eq!(again.taken + again.known, ORDERS as u64);
    assert_eq!(gross(&ledger).await, "90000.00");
    assert!(ledger.check(|_| ()).await.unwrap().is_clean());
    ledger.close().await;
}

#[tokio::test]
async fn items_go_on_where_a_full_disk_stopped_them() {
    let Some(disk) = SmallDisk::mount(120) else { return };
    let url = format!("sqlite:{}", disk.path().join("shop.db").display());
    let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("items.csv");
    std::fs::write(&path, items()).unwrap();
    let given = Given::file(&path).unwrap();
    let run = || AddRun { given: &given, layout: None, again: false, who: "test", watch: Watch::new() };
    disk.fill(14 << 20);
    let stopped = add_items(&ledger, &run()).await.expect_err("the disk is full").to_string();
    assert!(stopped.contains("were added") && stopped.contains("can be taken in again"), "{stopped}");
    disk.make_room();
    let again = add_items(&ledger, &run()).await.expect("there is room");
    assert!(again.resumed_after > 0, "{again:?}");
    assert_eq!(again.added, i64::try_from(ITEMS).unwrap());
    assert!(ledger.check(|_| ()).await.unwrap().is_clean());
    ledger.close().await;
}
