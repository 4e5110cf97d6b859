//! A new shop for one test, with a clock that the test sets.

use crate::ground::{Engine, Ground, engines};
use domain::day::Moment;
use ledger::{Access, Ledger, ManualClock};
use std::sync::Arc;

/// 2026-06-15T12:00:00Z, a Monday.
pub const START: Moment = Moment::from_millis(1_781_524_800_000);

#[derive(Debug)]
pub struct TestShop {
    pub engine: Engine,
    pub clock: Arc<ManualClock>,
    pub ledger: Ledger,
    pub ground: Ground,
}

impl TestShop {
    pub async fn open(engine: Engine) -> Self {
        let (clock, ground) = (Arc::new(ManualClock::at(START)), Ground::new(engine));
        let ledger = open(&ground, &clock).await;
        Self { engine, clock, ledger, ground }
    }

    /// The same shop as another process sees it.
    pub async fn another(&self) -> Ledger {
        open(&self.ground, &self.clock).await
    }

    /// Closes the shop and removes its place.
    pub async fn end(self) {
        self.ledger.close().await;
    }
}

async fn open(ground: &Ground, clock: &Arc<ManualClock>) -> Ledger {
    let opened = Ledger::open(&ground.url, Access::Create, Arc::<ManualClock>::clone(clock)).await;
    opened.expect("the shop opens")
}

/// A new shop on each engine under test.
pub async fn shops() -> Vec<TestShop> {
    let mut shops = Vec::new();
    for engine in engines() {
        shops.push(TestShop::open(engine).await);
    }
    shops
}
