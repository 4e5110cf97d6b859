//! Blanks personal data whose time is over: buyers of old orders, and names that were kept with a tax exemption's
//! certificate.

use crate::customers::erase;
use crate::orders;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// The most of each kind in one transaction.
const AT_ONCE: i64 = 100;

/// Blanks some of what is over. Returns how many rows; 0 when there is nothing more.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SweepPersonalData;

#[async_trait]
impl Command for SweepPersonalData {
    type Answer = u64;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<u64, CommandError> {
        let today = tx.shop().zone.day_of(tx.now());
        let orders = orders::blank_old(tx, AT_ONCE).await?;
        Ok(orders + erase::end_kept(tx, today, AT_ONCE).await?)
    }
}

impl Ledger {
    /// Whether there is anything to blank: a read, so that a round with nothing to do waits for nobody.
    pub async fn has_personal_data_to_blank(&self) -> Result<bool, CommandError> {
        if self.has_old_orders().await? {
            return Ok(true);
        }
        let today = self.shop().zone.day_of(self.now());
        let mut connection = self.reader().await?;
        let row =
            sqlx::query("SELECT id FROM customer WHERE kept_id IS NOT NULL AND keep_until < $1 LIMIT 1")
                .bind(today.number())
                .fetch_optional(&mut *connection)
                .await?;
        Ok(row.map(|row| row.try_get::<i64, _>("id")).transpose()?.is_some())
    }
}
