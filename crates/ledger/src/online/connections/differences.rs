//! Differences between the online shop's listings and ours, and how they are corrected.

use super::{MAX_OTHER_CHARS, at_most, bounded};
use crate::online::outbox::enqueue_for_connection;
use crate::online::texts::{cut, told};
use crate::people::activity_log::{self, Activity};
use crate::shelf::stock::raise_revision;
use crate::store::Ledger;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{OnlineReason, Rejection, Thing};
use crate::store::sql::{in_text, insert_rows_or, padded};
use crate::store::tables;
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{ConnectionId, DifferenceId, ItemId};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};
use std::collections::HashMap;

/// The most differences stored for a connection; if there are more, these come first.
pub const MAX_DIFFERENCES: usize = 500;

/// A difference that only a person can settle.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ListingDifference {
    /// The SKU as the online shop has it.
    pub sku: String,
    /// The item, if we have it.
    pub item: Option<ItemId>,
    /// The field that differs: `offers.price`, `description` …
    pub field: String,
    /// Our value.
    pub ours: String,
    /// Their value.
    pub theirs: String,
}

/// Stores the differences of a comparison in place of those of the previous one. What somebody ignored
/// stays ignored as long as neither side changes.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct KeepDifferences {
    /// Of which connection.
    pub connection: ConnectionId,
    /// At most [`MAX_DIFFERENCES`].
    pub differences: Vec<ListingDifference>,
}

const KEEP_OR: &str = "ON CONFLICT (connection_id, sku, field) DO UPDATE SET item_id = excluded.item_id, \
    ours = excluded.ours, theirs = excluded.theirs, run = excluded.run, seen_ms = excluded.seen_ms, \
    state = CASE WHEN difference.ours = excluded.ours AND difference.theirs = excluded.theirs THEN difference.state ELSE 'open' END";

#[async_trait]
impl Command for KeepDifferences {
    type Answer = ();

    fn is_long(&self) -> bool {
        self.differences.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        super::live(tx.db(), self.connection).await?;
        at_most("differences", self.differences.len())?;
        let short = |text: &str| cut(text, MAX_OTHER_CHARS);
        let words = |text: &str| told(text, MAX_OTHER_CHARS);
        let mut rows = Vec::with_capacity(self.differences.len());
        for difference in &self.differences {
            rows.push((tx.next_id()?, short(&difference.sku), short(&difference.field), difference));
        }
        rows.sort_by(|a, b| (&a.1, &a.2).cmp(&(&b.1, &b.2)));
        rows.dedup_by(|a, b| (&a.1, &a.2) == (&b.1, &b.2));
        let (run, now) = (tx.next_id()?, tx.now().millis());
        insert_rows_or(
            tx.db(),
            &tables::DIFFERENCE,
            KEEP_OR,
            &rows,
            |statement, (id, sku, field, difference)| {
                let statement = statement.bind(*id).bind(self.connection.raw()).bind(sku.clone());
                let statement = statement.bind(difference.item.map(ItemId::raw)).bind(field.clone());
                let statement = statement.bind(words(&difference.ours)).bind(words(&difference.theirs));
                statement.bind("open".to_owned()).bind(run).bind(now)
            },
        )
        .await?;
        sqlx::query("DELETE FROM difference WHERE connection_id = $1 AND run <> $2")
            .bind(self.connection.raw())
            .bind(run)
            .execute(tx.db())
            .await?;
        Ok(())
    }
}

/// What to do about a difference.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DifferenceChoice {
    /// Send our value to the online shop.
    TellOurs,
    /// Ignore it as long as neither side changes.
    Leave,
}

/// Settles a difference as somebody decided.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SettleDifference {
    /// The difference.
    pub id: DifferenceId,
    /// The decision.
    pub choice: DifferenceChoice,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for SettleDifference {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let gone = || Rejection::no_such(Thing::Difference, self.id);
        let row = sqlx::query("SELECT connection_id, item_id, sku, field FROM difference WHERE id = $1")
            .bind(self.id.raw())
            .fetch_optional(tx.db())
            .await?
            .ok_or_else(gone)?;
        let connection = ConnectionId::from_raw(row.try_get("connection_id")?);
        super::live(tx.db(), connection).await?;
        let (sku, field): (String, String) = (row.try_get("sku")?, row.try_get("field")?);
        let (text, done) = match self.choice {
            DifferenceChoice::Leave => {
                ("UPDATE difference SET state = 'left' WHERE id = $1", format!("{field} left as it is"))
            }
            DifferenceChoice::TellOurs => {
                let item = row.try_get::<Option<i64>, _>("item_id")?.ok_or_else(|| {
                    Rejection::invalid("choice", OnlineReason::NoItemHere { sku: sku.clone() })
                })?;
                mend(tx, connection, vec![ItemId::from_raw(item)], 0, 0).await?;
                ("DELETE FROM difference WHERE id = $1", format!("{field} told anew"))
            }
        };
        let changed = sqlx::query(text).bind(self.id.raw()).execute(tx.db()).await?;
        if changed.rows_affected() == 0 {
            return Err(gone().into());
        }
        activity_log::note(tx, &who, Activity::DifferenceSettled, &sku, &done).await
    }
}

/// Sends items again whose listings are not as they were sent.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct MendListings {
    /// Which connection.
    pub connection: ConnectionId,
    /// At most [`super::LIVE_AT_ONCE`].
    pub items: Vec<ItemId>,
    /// The highest of their revisions that the online shop knows, if it is above ours, as after our
    /// backup was restored; otherwise 0. The new messages get a higher one.
    pub above: i64,
    /// Whether they were sent in this state before, so that this counts as a repetition.
    pub counts: bool,
}

/// No shop has sent this many changes of one item: a higher revision is not ours and is ignored.
const MAX_REVISION: i64 = 1 << 40;

#[async_trait]
impl Command for MendListings {
    type Answer = ();

    fn is_long(&self) -> bool {
        self.items.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        super::live(tx.db(), self.connection).await?;
        at_most("items", self.items.len())?;
        let above = if self.above > MAX_REVISION { 0 } else { self.above };
        mend(tx, self.connection, self.items.clone(), above, i64::from(self.counts)).await
    }
}

const UNKNOWN_NOW: &str = "UPDATE listing SET content_hash = '', etag = '', \
    mended = CASE WHEN mended < 1000000 THEN mended + $2 ELSE mended END WHERE connection_id = $1 AND item_id";

/// Uses a revision of its own, because everything about the current one may have been sent, and forgets
/// what is known about the shop's state, so that the message is sent even if it equals the last one.
/// `again` is 1 if a comparison corrects by itself, which is counted until it finds nothing to correct.
async fn mend(
    tx: &mut Tx,
    on: ConnectionId,
    mut items: Vec<ItemId>,
    above: i64,
    again: i64,
) -> Result<(), CommandError> {
    items.sort_unstable();
    items.dedup();
    for item in &items {
        raise_revision(tx, *item, above).await?;
    }
    for chunk in items.chunks(crate::store::sql::MAX_ROWS) {
        let mut statement =
            sqlx::query(AssertSqlSafe(in_text(UNKNOWN_NOW, 3, chunk.len(), ""))).bind(on.raw()).bind(again);
        for item in padded(chunk) {
            statement = statement.bind(item.raw());
        }
        statement.execute(tx.db()).await?;
    }
    enqueue_for_connection(tx, &items, on).await
}

/// Items whose listings are right by now, so correcting them was not in vain.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NoteCured {
    /// Which connection.
    pub connection: ConnectionId,
    /// At most [`super::LIVE_AT_ONCE`].
    pub items: Vec<ItemId>,
}

const CURED: &str = "UPDATE listing SET mended = 0 WHERE connection_id = $1 AND mended > 0 AND item_id";

#[async_trait]
impl Command for NoteCured {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        super::live(tx.db(), self.connection).await?;
        at_most("items", self.items.len())?;
        let mut items = self.items.clone();
        items.sort_unstable();
        for chunk in items.chunks(crate::store::sql::MAX_ROWS) {
            let mut statement =
                sqlx::query(AssertSqlSafe(in_text(CURED, 2, chunk.len(), ""))).bind(self.connection.raw());
            for item in padded(chunk) {
                statement = statement.bind(item.raw());
            }
            statement.execute(tx.db()).await?;
        }
        Ok(())
    }
}

/// A stored difference.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredDifference {
    /// Its identifier.
    pub id: DifferenceId,
    /// The difference itself.
    pub difference: ListingDifference,
    /// When a comparison last found it.
    pub seen: Moment,
}

impl Ledger {
    /// How often in a row comparisons corrected each item and found it wrong again.
    pub async fn mended_in_vain(&self, on: ConnectionId) -> Result<HashMap<ItemId, u32>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query("SELECT item_id, mended FROM listing WHERE connection_id = $1 AND mended > 0")
            .bind(on.raw())
            .fetch_all(&mut *connection)
            .await?;
        let read = |row: &AnyRow| {
            let times = u32::try_from(row.try_get::<i64, _>("mended")?).unwrap_or(u32::MAX);
            Ok((ItemId::from_raw(row.try_get("item_id")?), times))
        };
        rows.iter().map(read).collect()
    }

    /// Differences that wait for a decision, by SKU.
    pub async fn listing_differences(
        &self,
        of: ConnectionId,
        limit: usize,
    ) -> Result<Vec<StoredDifference>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT id, sku, item_id, field, ours, theirs, seen_ms FROM difference \
             WHERE connection_id = $1 AND state = 'open' ORDER BY id LIMIT $2",
        )
        .bind(of.raw())
        .bind(bounded(limit))
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &AnyRow| {
            Ok(StoredDifference {
                id: DifferenceId::from_raw(row.try_get("id")?),
                difference: ListingDifference {
                    sku: row.try_get("sku")?,
                    item: row.try_get::<Option<i64>, _>("item_id")?.map(ItemId::from_raw),
                    field: row.try_get("field")?,
                    ours: row.try_get("ours")?,
                    theirs: row.try_get("theirs")?,
                },
                seen: Moment::from_millis(row.try_get("seen_ms")?),
            })
        };
        let mut differences = rows.iter().map(read).collect::<Result<Vec<_>, CommandError>>()?;
        differences.sort_by(|a, b| {
            (&a.difference.sku, &a.difference.field).cmp(&(&b.difference.sku, &b.difference.field))
        });
        Ok(differences)
    }
}
