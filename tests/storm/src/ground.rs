//! The place of a storm's shop: a copy in memory of a new one, so that no storm waits for migrations or the disk.

use crate::plan::START;
use crate::{Doing, StormError};
use ledger::{Access, Ledger, ManualClock};
use std::sync::Arc;
use testkit::{Engine, Ground};

/// A new shop on an engine, from which storms take copies.
#[derive(Debug)]
pub struct Template(Ground);

impl Template {
    /// Creates it. For PostgreSQL, on the server that `FLEECEFOLD_TEST_PG` names.
    ///
    /// # Errors
    /// If the shop cannot be opened.
    pub async fn make(engine: Engine) -> Result<Self, StormError> {
        let ground = Ground::in_memory(engine);
        let clock = Arc::new(ManualClock::at(START));
        let ledger = Ledger::open(&ground.url, Access::Create, clock).await.doing("make a shop")?;
        ledger.close().await;
        Ok(Self(ground))
    }

    pub(crate) fn copy(&self) -> Ground {
        self.0.copy()
    }
}
