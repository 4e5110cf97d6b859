//! Finishes a stock count: books its differences in one transaction.

use super::{StockCountState, end};
use crate::people::activity_log::{self, Activity};
use crate::shelf::lookup;
use crate::shelf::stock::{EntryReason, Take, enter, try_add, try_take};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::Rejection;
use crate::store::sql::insert_rows;
use crate::store::storage_error::StorageError;
use crate::store::tables;
use async_trait::async_trait;
use domain::ids::{ItemId, StockCountId};
use domain::stock::StockReason;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// The reason in the stock entries of a stock count.
const NOTE: &str = "stock count";

/// Ends a count and books its differences.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct FinishStockCount {
    /// The count to finish.
    pub id: StockCountId,
    /// Whether items that were expected and not counted are written off; otherwise only what was
    /// counted is booked.
    pub with_missing: bool,
    /// For the activity log.
    pub who: String,
}

/// The result.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FinishedStockCount {
    /// How many items had a difference that was booked.
    pub booked: usize,
    /// Differences that somebody must look at.
    pub left: Vec<NotBooked>,
}

/// A difference that could not be booked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotBooked {
    /// The item's sku.
    pub sku: String,
    /// Its name.
    pub title: String,
    /// Why.
    pub reason: LeftReason,
}

/// Why a difference was not booked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeftReason {
    /// More than the books have, of what is not simply added to.
    NotAdded(Box<Rejection>),
    /// What is missing is on hold.
    OnHold(Box<Rejection>),
    /// So much was sold since that the difference is more than what is left.
    SoldSince,
}

impl LeftReason {
    /// As it stands with the count; nothing if the difference was booked.
    pub(super) fn read(text: &str) -> Result<Option<Self>, CommandError> {
        let read = (!text.is_empty()).then(|| serde_json::from_str(text)).transpose();
        Ok(read.map_err(StorageError::KeptAnswer)?)
    }

    fn written(&self) -> Result<String, CommandError> {
        Ok(serde_json::to_string(self).map_err(StorageError::KeptAnswer)?)
    }
}

/// One item's difference, to be booked.
struct Difference {
    item: ItemId,
    sku: String,
    title: String,
    /// The counted quantity less the recorded one at the time of the scan.
    stock_units: i64,
    is_missing: bool,
}

/// Differences of counted items. An item that somebody counted singly since is left out: the later count is valid.
const COUNTED: &str = "SELECT c.item_id AS id, i.sku, i.name, c.stock_units - c.booked AS stock_units FROM stock_count_line c \
    JOIN item i ON i.id = c.item_id WHERE c.stock_count_id = $1 AND c.stock_units <> c.booked AND NOT EXISTS \
    (SELECT 1 FROM stock_entry e WHERE e.item_id = c.item_id AND e.id > c.mark AND e.reason = 'count')";

/// Items that were in stock when the count began, still are, and were not scanned. What was added or counted
/// singly since is left out. Parameters: the count, then the style if there is one.
pub(super) const MISSING: &str = "SELECT m.id, m.sku, m.name, m.on_hand - m.came_in AS stock_units, m.size, m.color, m.kind, \
    m.stock_unit, m.held FROM (SELECT i.id, i.sku, i.name, i.on_hand, i.size, i.color, i.kind, i.stock_unit, i.held, \
    (SELECT COALESCE(CAST(SUM(e.change) AS BIGINT), 0) FROM stock_entry e WHERE e.item_id = i.id AND e.id > $1 \
        AND e.change > 0) AS came_in \
    FROM item i WHERE i.on_hand > 0 AND i.id < $1 AND (CAST($2 AS BIGINT) IS NULL OR i.style_id = $2) \
    AND NOT EXISTS (SELECT 1 FROM stock_count_line c WHERE c.stock_count_id = $1 AND c.item_id = i.id) \
    AND NOT EXISTS (SELECT 1 FROM stock_entry e WHERE e.item_id = i.id AND e.id > $1 AND e.reason = 'count')) m \
    WHERE m.on_hand > m.came_in";

#[async_trait]
impl Command for FinishStockCount {
    type Answer = FinishedStockCount;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<FinishedStockCount, CommandError> {
        let style = end(tx, self.id, StockCountState::Finished, &self.who).await?;
        let mut differences = self.differences(tx, style).await?;
        // By item id, the order in which every command locks them.
        differences.sort_by_key(|d| d.item);
        let mut moves = Vec::with_capacity(differences.len());
        let mut left = Vec::new();
        for difference in &differences {
            match book(tx, difference).await? {
                None => moves.push((difference.item, difference.stock_units)),
                Some(reason) => {
                    let (sku, title) = (difference.sku.clone(), difference.title.clone());
                    left.push(NotBooked { sku, title, reason });
                }
            }
        }
        self.write(tx, &differences, &left).await?;
        let who = text::short(&self.who).stored("who")?;
        let because =
            EntryReason { why: StockReason::Count, source: Some(self.id.raw()), note: NOTE, who: &who };
        enter(tx, &moves, because).await?;
        let detail = format!("{NOTE}; {} differences booked", moves.len());
        activity_log::note(tx, &who, Activity::Stock, NOTE, &detail).await?;
        Ok(FinishedStockCount { booked: moves.len(), left })
    }
}

impl FinishStockCount {
    async fn differences(&self, tx: &mut Tx, style: Option<i64>) -> Result<Vec<Difference>, CommandError> {
        let mut rows: Vec<(bool, sqlx::any::AnyRow)> = Vec::new();
        let counted = sqlx::query(COUNTED).bind(self.id.raw()).fetch_all(tx.db()).await?;
        rows.extend(counted.into_iter().map(|row| (false, row)));
        if self.with_missing {
            let missing = sqlx::query(MISSING).bind(self.id.raw()).bind(style).fetch_all(tx.db()).await?;
            rows.extend(missing.into_iter().map(|row| (true, row)));
        }
        let read = |(is_missing, row): &(bool, sqlx::any::AnyRow)| {
            let stock_units: i64 = row.try_get("stock_units")?;
            Ok(Difference {
                item: ItemId::from_raw(row.try_get("id")?),
                sku: row.try_get("sku")?,
                title: row.try_get("name")?,
                stock_units: if *is_missing { -stock_units } else { stock_units },
                is_missing: *is_missing,
            })
        };
        rows.iter().map(read).collect()
    }

    /// Stores with the count what was booked for each item.
    async fn write(
        &self,
        tx: &mut Tx,
        differences: &[Difference],
        left: &[NotBooked],
    ) -> Result<(), CommandError> {
        let mark = tx.next_id()?;
        let words = |sku: &str| {
            let left = left.iter().find(|l| l.sku == sku);
            left.map_or_else(|| Ok(String::new()), |left| left.reason.written())
        };
        let row = |d: &Difference| Ok((d.item.raw(), -d.stock_units, d.stock_units, words(&d.sku)?));
        let missing = differences.iter().filter(|d| d.is_missing);
        let rows = missing.map(row).collect::<Result<Vec<_>, CommandError>>()?;
        insert_rows(
            tx.db(),
            &tables::STOCK_COUNT_LINE,
            &rows,
            |statement, (item, booked, difference, words)| {
                let done = if words.is_empty() { *difference } else { 0 };
                statement
                    .bind(self.id.raw())
                    .bind(*item)
                    .bind(0_i64)
                    .bind(*booked)
                    .bind(mark)
                    .bind(done)
                    .bind(words.clone())
                    .bind(self.who.clone())
            },
        )
        .await?;
        for difference in differences.iter().filter(|d| !d.is_missing) {
            let words = words(&difference.sku)?;
            sqlx::query(
                "UPDATE stock_count_line SET difference = $3, left_message = $4 WHERE stock_count_id = $1 AND item_id = $2",
            )
            .bind(self.id.raw())
            .bind(difference.item.raw())
            .bind(if words.is_empty() { difference.stock_units } else { 0 })
            .bind(words)
            .execute(tx.db())
            .await?;
        }
        Ok(())
    }
}

/// Books one difference; returns why not, if it could not be booked.
async fn book(tx: &mut Tx, difference: &Difference) -> Result<Option<LeftReason>, CommandError> {
    let (item, stock_units) = (difference.item, difference.stock_units);
    if stock_units > 0 {
        let refused = try_add(tx, item, stock_units, StockReason::Count).await?;
        return Ok(refused.map(|refused| LeftReason::NotAdded(Box::new(refused))));
    }
    let take = Take { item, stock_units: -stock_units, from_hold: 0 };
    if try_take(tx, &take, StockReason::Count).await? {
        return Ok(None);
    }
    let row =
        sqlx::query("SELECT on_hand FROM item WHERE id = $1").bind(item.raw()).fetch_one(tx.db()).await?;
    if row.try_get::<i64, _>("on_hand")? >= take.stock_units {
        let why = lookup::explain(tx, item, take.stock_units).await?;
        return Ok(Some(LeftReason::OnHold(Box::new(why))));
    }
    if difference.is_missing {
        // Sold since it was read: everything is tried again, and no longer finds it missing.
        return Err(StorageError::Collided(sqlx::Error::RowNotFound).into());
    }
    Ok(Some(LeftReason::SoldSince))
}
