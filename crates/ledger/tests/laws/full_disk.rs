//! A full disk, and connections that end in the middle of a transaction: what was not booked is reported,
//! and the shop goes on as soon as it can.

use crate::audit;
use crate::harness::{START, Shop, in_full, on_each};
use crate::make::*;
use ledger::{Access, CommandError, Ledger, ManualClock, StorageError};
use std::sync::Arc;
use testkit::Engine;
use testkit::SmallDisk;

/// A sale whose note fills a page.
fn wordy(sku: &str) -> ledger::sales::NewSale {
    ledger::sales::NewSale { note: "so much to say ".repeat(600), ..sale_of(sku, 100) }
}

#[tokio::test]
async fn a_full_disk_stops_sales_only_while_it_is_full() {
    let Some(disk) = SmallDisk::mount(6) else { return };
    let url = format!("sqlite:{}", disk.path().join("shop.db").display());
    let clock = Arc::new(ManualClock::at(START));
    let ledger = Ledger::open(&url, Access::Create, clock.clone()).await.unwrap();
    ledger.execute(None, &add(vec![counted("c1", "1000", 100)])).await.unwrap();
    let mut sold = 0;
    for round in 0..3 {
        ledger.execute(None, &wordy("c1")).await.unwrap();
        sold += 1;
        disk.fill(0);
        let mut refused = 0;
        while refused < 4 {
            assert!(sold < 900, "the disk is not full");
            match ledger.execute(None, &wordy("c1")).await {
                Ok(_) => sold += 1,
                Err(CommandError::Storage(trouble)) => {
                    let told = in_full(&trouble);
                    assert!(
                        trouble.to_string().contains("the disk is full, and this change was undone"),
                        "{told}"
                    );
                    refused += 1;
                }
                Err(refused) => panic!("round {round}: {refused}"),
            }
        }
        clock.advance_millis(2000);
        let unready = ledger.ready().await.expect_err("nothing can be booked");
        assert!(unready.to_string().contains("disk is full"), "{unready}");
        // Within the same second nothing makes it try again.
        assert!(matches!(ledger.ready().await, Err(CommandError::Storage(StorageError::NotWritable))));
        assert_eq!(ledger.item(&code("c1")).await.unwrap().on_hand.stock_units(), 1000 - sold);
        disk.make_room();
        clock.advance_millis(2000);
        ledger.ready().await.expect("there is room again");
    }
    ledger.execute(None, &sale_of("c1", 100)).await.unwrap();
    assert_eq!(ledger.item(&code("c1")).await.unwrap().on_hand.stock_units(), 1000 - sold - 1);
    assert!(ledger.check(|_| ()).await.unwrap().is_clean());
    ledger.close().await;
}

/// As when the server is restarted: every connection of the pool is dead, and no sale fails because of it.
#[test]
fn connections_that_the_server_ended_are_replaced() {
    on_each(|shop: Shop| async move {
        if shop.engine == Engine::Sqlite {
            return;
        }
        shop.ok(add(vec![counted("c1", "100", 100)])).await;
        let one = sale_of("c1", 100);
        let sell = || shop.ledger.execute(None, &one);
        // So many at once that the pool has more than one connection.
        let _ = tokio::join!(sell(), sell(), sell(), sell(), sell(), sell());
        let end = "SELECT CAST(COUNT(pg_terminate_backend(pid)) AS BIGINT) FROM pg_stat_activity \
            WHERE datname = current_database() AND pid <> pg_backend_pid()";
        assert!(shop.number(end).await > 6);
        tokio::time::sleep(std::time::Duration::from_millis(600)).await;
        for _ in 0..8 {
            shop.ok(sale_of("c1", 100)).await;
        }
        audit::clean(&shop).await;
    });
}
