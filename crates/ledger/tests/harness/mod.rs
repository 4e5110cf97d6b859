//! A fresh shop on each engine, for tests that run on both from one text.
//!
//! `FLEECEFOLD_TEST_PG` is the address of a PostgreSQL superuser; each test makes a database of its
//! own there and drops it. Without it the tests fail and say so, unless `FLEECEFOLD_TEST_ENGINES` is
//! `sqlite`.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses its own part of the harness")]

use domain::day::Moment;
use domain::money::{Currency, Money};
use ledger::{Access, Ledger, ManualClock};
use sqlx::{AnyConnection, AssertSqlSafe, Connection};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// 2026-06-15T12:00:00Z, a Monday.
pub const START: Moment = Moment::from_millis(1_781_524_800_000);

/// A shop made for one test.
pub struct TestShop {
    pub engine: &'static str,
    pub url: String,
    pub clock: Arc<ManualClock>,
    pub ledger: Ledger,
    place: Place,
}

enum Place {
    Folder(tempfile::TempDir),
    Database { server: String, name: String },
}

impl TestShop {
    /// Another process' view of the same shop: its own connections and node number.
    pub async fn open_again(&self) -> Ledger {
        Ledger::open(&self.url, Access::Write, self.clock.clone()).await.expect("the shop opens again")
    }

    /// A bare connection, for what the ledger itself would never do.
    pub async fn connection(&self) -> AnyConnection {
        let url = self.url.replace("sqlite:", "sqlite://");
        AnyConnection::connect(&url).await.expect("a bare connection")
    }

    /// Ends the shop and takes its database away.
    pub async fn end(self) {
        self.ledger.close().await;
        match self.place {
            Place::Folder(folder) => folder.close().expect("the folder goes"),
            Place::Database { server, name } => {
                let mut connection = AnyConnection::connect(&server).await.expect("the server answers");
                let text = format!("DROP DATABASE {name} WITH (FORCE)");
                sqlx::query(AssertSqlSafe(text)).execute(&mut connection).await.expect("the database goes");
            }
        }
    }
}

/// A fresh shop on each engine that the tests run on.
pub async fn shops() -> Vec<TestShop> {
    let mut shops = vec![on_sqlite().await];
    if std::env::var("FLEECEFOLD_TEST_ENGINES").as_deref() != Ok("sqlite") {
        let server = std::env::var("FLEECEFOLD_TEST_PG")
            .expect("FLEECEFOLD_TEST_PG names a PostgreSQL superuser; run tests/run, or set FLEECEFOLD_TEST_ENGINES=sqlite");
        shops.push(on_postgres(&server).await);
    }
    shops
}

async fn on_sqlite() -> TestShop {
    let folder = tempfile::tempdir().expect("a folder");
    let url = format!("sqlite:{}", folder.path().join("shop.db").display());
    open("sqlite", url, Place::Folder(folder)).await
}

async fn on_postgres(server: &str) -> TestShop {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let name = format!("shop_{}_{}", std::process::id(), NEXT.fetch_add(1, Ordering::SeqCst));
    sqlx::any::install_default_drivers();
    let mut connection = AnyConnection::connect(server).await.expect("the server answers");
    let text = format!("CREATE DATABASE {name}");
    sqlx::query(AssertSqlSafe(text)).execute(&mut connection).await.expect("a database");
    let (host, _) = server.rsplit_once('/').expect("the address ends with a database");
    let url = format!("{host}/{name}");
    open("postgres", url, Place::Database { server: server.to_owned(), name }).await
}

async fn open(engine: &'static str, url: String, place: Place) -> TestShop {
    let clock = Arc::new(ManualClock::at(START));
    let ledger = Ledger::open(&url, Access::Create, clock.clone()).await.expect("the shop opens");
    TestShop { engine, url, clock, ledger, place }
}

/// US dollars from text.
pub fn usd(text: &str) -> Money {
    Money::parse(text, Currency::USD).expect("an amount")
}
