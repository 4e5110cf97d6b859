//! Files that were taken in: how far, and what was answered. The same file again gets the same
//! answer; a run cut off goes on where it stopped.

use crate::command::{Command, Tx};
use crate::error::Failure;
use crate::store::Ledger;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Where a file's run stands, written in the transaction of the rows that it counts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Progress {
    /// SHA-256 of the file, and of the layout if there is one.
    pub hash: String,
    /// What kind of feed.
    pub feed: String,
    /// Its name, for people.
    pub file_name: String,
    /// Rows that are done once this transaction is.
    pub rows_done: i64,
}

/// What is known of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Intake {
    /// Rows that are done.
    pub rows_done: i64,
    /// The answer, if it was taken in to its end.
    pub answer: Option<String>,
}

pub(crate) async fn advance(tx: &mut Tx, progress: &Progress) -> Result<(), Failure> {
    let now = tx.now().millis();
    sqlx::query(
        "INSERT INTO intake (hash, feed, file_name, rows_done, answer, at_ms) VALUES ($1, $2, $3, $4, NULL, $5) \
         ON CONFLICT (hash, feed) DO UPDATE SET rows_done = excluded.rows_done, answer = NULL, at_ms = excluded.at_ms",
    )
    .bind(progress.hash.clone())
    .bind(progress.feed.clone())
    .bind(progress.file_name.clone())
    .bind(progress.rows_done)
    .bind(now)
    .execute(tx.db())
    .await?;
    Ok(())
}

/// Keeps the answer of a file that was taken in to its end.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndIntake {
    /// Where it stands.
    pub progress: Progress,
    /// What was answered.
    pub answer: String,
}

impl Command for EndIntake {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), Failure> {
        advance(tx, &self.progress).await?;
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
    /// What is known of a file.
    pub async fn intake(&self, hash: &str, feed: &str) -> Result<Option<Intake>, Failure> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT rows_done, answer FROM intake WHERE hash = $1 AND feed = $2")
            .bind(hash.to_owned())
            .bind(feed.to_owned())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| Ok(Intake { rows_done: row.try_get(0)?, answer: row.try_get(1)? })).transpose()
    }
}
