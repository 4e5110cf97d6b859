//! How much a bulk write does in one transaction.
//!
//! While another process has the shop open: at most 500 rows or about 20 ms at a time, with a gap in
//! between, so that a sale at the counter waits for one small transaction and not for a whole file.
//! Otherwise: large transactions, because each costs a flush to disk.

use crate::store::Ledger;
use crate::store::error::CommandError;
use std::time::Duration;

/// Rows per transaction while nobody else has the shop open.
const ALONE_ROWS: usize = 10_000;
/// Rows per transaction while somebody else has the shop open.
const SHARED_ROWS: usize = 500;
/// The fewest rows per transaction, however slow the disk.
const FEWEST_ROWS: usize = 20;
/// How long a transaction should take while somebody else has the shop open.
const SHARED_TIME: Duration = Duration::from_millis(20);
/// The gap for others after each transaction: longer than SQLite's first waits for a lock (1, 2, 5 and
/// 10 ms), so that one of them finds it free.
const GAP: Duration = Duration::from_millis(6);
/// How often to check whether somebody else has the shop open.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// The pace of one bulk write.
#[derive(Debug)]
pub struct Pace {
    shared: bool,
    rows: usize,
    since_look: Duration,
}

impl Pace {
    /// The most rows for the next transaction.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Records how long the last transaction took, and waits a little if others want to write too.
    pub async fn took(&mut self, ledger: &Ledger, time: Duration) -> Result<(), CommandError> {
        self.since_look += time;
        if self.since_look >= LOOK_EVERY {
            self.since_look = Duration::ZERO;
            self.shared = ledger.is_shared().await?;
        }
        if !self.shared {
            self.rows = ALONE_ROWS;
            return Ok(());
        }
        self.rows = if time > SHARED_TIME { self.rows / 2 } else { self.rows + self.rows / 4 + 1 };
        self.rows = self.rows.clamp(FEWEST_ROWS, SHARED_ROWS);
        tokio::time::sleep(GAP).await;
        Ok(())
    }
}

impl Ledger {
    /// The pace for a bulk write that begins now.
    pub async fn pace(&self) -> Result<Pace, CommandError> {
        let shared = self.is_shared().await?;
        let rows = if shared { SHARED_ROWS / 4 } else { ALONE_ROWS };
        Ok(Pace { shared, rows, since_look: Duration::ZERO })
    }

    /// Whether another process has the shop open. PostgreSQL's writers do not wait for each other,
    /// except for the row that all bookings touch, so this counts there too.
    async fn is_shared(&self) -> Result<bool, CommandError> {
        let Some(lease) = &self.inner.lease else { return Ok(false) };
        let mut connection = self.reader().await?;
        Ok(lease.others(&mut connection, self.now()).await?)
    }
}
