//! Files that were taken in: how far, and with which answer. The same file again gets the same answer.
//! An interrupted run goes on where it stopped, and still knows what it had rejected.

use crate::shelf::items::RowOutcome;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::sql::insert_rows;
use crate::store::storage_error::StorageError;
use crate::store::tables;
use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// How far a file's run has come, written in the transaction of the rows that it counts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Progress {
    /// SHA-256 of the file and of its layout, if it has one.
    pub hash: String,
    /// The kind of feed.
    pub feed: String,
    /// For people.
    pub file_name: String,
    /// Rows that are done after this transaction.
    pub rows_done: i64,
    /// Whether the first rows begin the file again, whatever is known of it.
    pub again: bool,
}

/// What is known about a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Intake {
    /// Rows that are done.
    pub rows_done: i64,
    /// The outcome of the rows.
    pub tally: Tally,
    /// Rejected rows, counted from 0, until the file is taken in to its end.
    pub refused: Vec<(i64, Rejection)>,
    /// The answer, if it was taken in to its end.
    pub answer: Option<String>,
}

/// How many rows had which outcome.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// New.
    pub added: i64,
    /// Existed and were changed.
    pub updated: i64,
    /// Existed and stayed the same.
    pub unchanged: i64,
}

/// Claims the file's row at `before` rows. Two simultaneous runs of one file would add items without
/// codes twice; the second one finds that the row has moved on.
pub(crate) async fn advance(tx: &mut Tx, progress: &Progress, before: i64) -> Result<(), CommandError> {
    let begins = before == 0 && progress.again;
    let now = tx.now().millis();
    let written = sqlx::query(
        "INSERT INTO intake (hash, feed, file_name, rows_done, added, updated, unchanged, answer, at_ms) \
         VALUES ($1, $2, $3, $4, 0, 0, 0, NULL, $5) \
         ON CONFLICT (hash, feed) DO UPDATE SET rows_done = excluded.rows_done, answer = NULL, at_ms = excluded.at_ms \
         WHERE intake.rows_done = $6 OR CAST($7 AS BIGINT) = 1",
    )
    .bind(progress.hash.clone())
    .bind(progress.feed.clone())
    .bind(progress.file_name.clone())
    .bind(progress.rows_done)
    .bind(now)
    .bind(before)
    .bind(i64::from(begins))
    .execute(tx.db())
    .await?;
    if written.rows_affected() == 0 {
        return Err(Rejection::invalid(progress.file_name.clone(), ShelfReason::FileInUse).into());
    }
    if before == 0 {
        sqlx::query("UPDATE intake SET added = 0, updated = 0, unchanged = 0 WHERE hash = $1 AND feed = $2")
            .bind(progress.hash.clone())
            .bind(progress.feed.clone())
            .execute(tx.db())
            .await?;
        forget_refused(tx, progress).await?;
    }
    Ok(())
}

async fn forget_refused(tx: &mut Tx, progress: &Progress) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM intake_refused WHERE hash = $1 AND feed = $2")
        .bind(progress.hash.clone())
        .bind(progress.feed.clone())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Stores the outcome of the rows after the first `before`.
pub(crate) async fn keep(
    tx: &mut Tx,
    progress: &Progress,
    before: i64,
    outcomes: &[RowOutcome],
) -> Result<(), CommandError> {
    let mut tally = Tally::default();
    let mut refused = Vec::new();
    for (row, outcome) in (before..).zip(outcomes) {
        match outcome {
            RowOutcome::Added(_) | RowOutcome::AddedStyle { .. } => tally.added += 1,
            RowOutcome::Updated { .. } => tally.updated += 1,
            RowOutcome::Unchanged { .. } => tally.unchanged += 1,
            RowOutcome::Refused(rejection) => {
                refused.push((row, serde_json::to_string(rejection).map_err(StorageError::KeptAnswer)?));
            }
        }
    }
    sqlx::query(
        "UPDATE intake SET added = added + $3, updated = updated + $4, unchanged = unchanged + $5 \
         WHERE hash = $1 AND feed = $2",
    )
    .bind(progress.hash.clone())
    .bind(progress.feed.clone())
    .bind(tally.added)
    .bind(tally.updated)
    .bind(tally.unchanged)
    .execute(tx.db())
    .await?;
    insert_rows(tx.db(), &tables::INTAKE_REFUSED, &refused, |statement, (row, rejection)| {
        statement.bind(progress.hash.clone()).bind(progress.feed.clone()).bind(*row).bind(rejection.clone())
    })
    .await?;
    Ok(())
}

/// Stores the answer for a file that was taken in to its end.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndIntake {
    /// The progress that was reached.
    pub progress: Progress,
    /// What was answered.
    pub answer: String,
}

#[async_trait]
impl Command for EndIntake {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        advance(tx, &self.progress, self.progress.rows_done).await?;
        forget_refused(tx, &self.progress).await?;
        sqlx::query("UPDATE intake SET answer = $3 WHERE hash = $1 AND feed = $2")
            .bind(self.progress.hash.clone())
            .bind(self.progress.feed.clone())
            .bind(self.answer.clone())
            .execute(tx.db())
            .await?;
        Ok(())
    }
}

impl Ledger {
    /// What is known about a file.
    pub async fn intake(&self, hash: &str, feed: &str) -> Result<Option<Intake>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT rows_done, added, updated, unchanged, answer FROM intake WHERE hash = $1 AND feed = $2",
        )
        .bind(hash.to_owned())
        .bind(feed.to_owned())
        .fetch_optional(&mut *connection)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let rows = sqlx::query(
            "SELECT row_number, refusal FROM intake_refused WHERE hash = $1 AND feed = $2 ORDER BY row_number",
        )
        .bind(hash.to_owned())
        .bind(feed.to_owned())
        .fetch_all(&mut *connection)
        .await?;
        let mut refused = Vec::with_capacity(rows.len());
        for row in &rows {
            let rejection = serde_json::from_str(&row.try_get::<String, _>("refusal")?)
                .map_err(StorageError::KeptAnswer)?;
            refused.push((row.try_get("row_number")?, rejection));
        }
        let tally = Tally {
            added: row.try_get("added")?,
            updated: row.try_get("updated")?,
            unchanged: row.try_get("unchanged")?,
        };
        Ok(Some(Intake {
            rows_done: row.try_get("rows_done")?,
            tally,
            refused,
            answer: row.try_get("answer")?,
        }))
    }
}
