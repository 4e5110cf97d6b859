//! A new shop on each engine, for tests that run on both from one text.

pub(crate) mod ground;

use domain::day::Moment;
use domain::money::{Currency, Money};
use ground::{Engine, Ground, engines, ground};
use ledger::{Access, Ledger, ManualClock};
use std::sync::Arc;

/// 2026-06-15T12:00:00Z, a Monday.
pub(crate) const START: Moment = Moment::from_millis(1_781_524_800_000);

/// A shop for one test.
pub(crate) struct TestShop {
    pub(crate) engine: &'static str,
    pub(crate) clock: Arc<ManualClock>,
    pub(crate) ledger: Ledger,
    pub(crate) ground: Ground,
}

impl TestShop {
    /// Closes the shop and removes its database.
    pub(crate) async fn end(self) {
        self.ledger.close().await;
        self.ground.clear().await;
    }
}

/// A new shop on each engine under test.
pub(crate) async fn shops() -> Vec<TestShop> {
    let mut shops = Vec::new();
    for engine in engines() {
        let clock = Arc::new(ManualClock::at(START));
        let ground = ground(engine).await;
        let ledger = Ledger::open(&ground.url, Access::Create, clock.clone()).await.expect("the shop opens");
        let engine = match engine {
            Engine::Sqlite => "sqlite",
            Engine::Postgres => "postgres",
        };
        shops.push(TestShop { engine, clock, ledger, ground });
    }
    shops
}

/// US dollars, from text.
pub(crate) fn usd(text: &str) -> Money {
    Money::parse(text, Currency::USD).expect("an amount")
}
