//! Messages that need attention.

use super::bounded;
use crate::people::activity_log::{self, Activity};
use crate::shelf::lookup;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use async_trait::async_trait;
use domain::codes::Code;
use domain::day::Moment;
use domain::delivery::REQUEST_TIMEOUT;
use domain::ids::{ConnectionId, ItemId};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// A message that needs attention.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeadLetter {
    /// The item it is about.
    pub item: ItemId,
    /// The item's SKU.
    pub sku: String,
    /// The item's name.
    pub name: String,
    /// The revision in the message.
    pub revision: i64,
    /// Why the online shop did not accept it.
    pub words: String,
    /// When that was.
    pub at: Moment,
}

/// Makes messages that need attention wait again, as if tried once. For one item's code, a message that
/// waits for another try goes at once too.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SendAgain {
    /// Which connection.
    pub connection: ConnectionId,
    /// Only this item's message; all of them if none.
    pub code: Option<Code>,
    /// For the activity log.
    pub who: String,
}

/// A message on its way is left alone: its outcome is not known yet.
const ALL_AGAIN: &str = "UPDATE delivery SET dead_letter_revision = 0, due_ms = 0, tries = 1 WHERE connection_id = $1 \
    AND lease_ms <= $2 AND dead_letter_revision > 0";
/// A message that waits may still be on its way, so it is not sent again before that is over.
const ONE_AGAIN: &str = "UPDATE delivery SET dead_letter_revision = 0, tries = 1, \
    due_ms = CASE WHEN dead_letter_revision > 0 THEN 0 WHEN due_ms > $4 THEN $4 ELSE due_ms END \
    WHERE connection_id = $1 AND lease_ms <= $2 AND item_id = $3 AND (dead_letter_revision > 0 OR due_ms > $2)";

#[async_trait]
impl Command for SendAgain {
    /// How many messages.
    type Answer = usize;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<usize, CommandError> {
        let who = text::short(&self.who).field("who")?;
        super::live(tx.db(), self.connection).await?;
        let now = tx.now().millis();
        let timeout = i64::try_from(REQUEST_TIMEOUT.as_millis()).unwrap_or(i64::MAX);
        let (done, what) = match &self.code {
            None => {
                let statement = sqlx::query(ALL_AGAIN).bind(self.connection.raw()).bind(now);
                (statement.execute(tx.db()).await?, "all".to_owned())
            }
            Some(code) => {
                let found = lookup::find_all(tx, std::slice::from_ref(code)).await?.remove(0);
                let statement = sqlx::query(ONE_AGAIN).bind(self.connection.raw()).bind(now);
                let statement = statement.bind(found.id.raw()).bind(now + timeout);
                (statement.execute(tx.db()).await?, found.sku)
            }
        };
        let count = done.rows_affected();
        if count > 0 {
            activity_log::note(tx, &who, Activity::SentAgain, &what, &format!("{count} messages")).await?;
            tx.notify_on_commit();
        }
        Ok(usize::try_from(count).unwrap_or(usize::MAX))
    }
}

impl Ledger {
    /// Messages that need attention, newest first.
    pub async fn parked(&self, on: ConnectionId, limit: usize) -> Result<Vec<DeadLetter>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT d.item_id, i.sku, i.name, d.dead_letter_revision, d.message, d.dead_letter_ms FROM delivery d \
             JOIN item i ON i.id = d.item_id WHERE d.connection_id = $1 AND d.dead_letter_revision > 0 \
             ORDER BY d.dead_letter_ms DESC, d.item_id LIMIT $2",
        )
        .bind(on.raw())
        .bind(bounded(limit))
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &AnyRow| {
            Ok(DeadLetter {
                item: ItemId::from_raw(row.try_get("item_id")?),
                sku: row.try_get("sku")?,
                name: row.try_get("name")?,
                revision: row.try_get("dead_letter_revision")?,
                words: row.try_get("message")?,
                at: Moment::from_millis(row.try_get("dead_letter_ms")?),
            })
        };
        rows.iter().map(read).collect()
    }
}
