//! Law 5, said once, done once: every command may carry a key, and its first answer is kept with it.

use crate::command::Tx;
use crate::error::Failure;
use crate::refusal::Refusal;
use crate::store::Ledger;
use crate::trouble::Trouble;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use sqlx::Row;
use sqlx::any::AnyRow;

/// Longest key that is accepted.
pub(crate) const MAX_KEY_CHARS: usize = 255;

/// A key, within its scope, and the hash of the body that it came with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    scope: String,
    key: String,
    body_hash: String,
}

impl Key {
    /// `scope` is caller, method and path; the body is what the caller sent, byte for byte.
    pub fn new(scope: &str, key: &str, body: &[u8]) -> Result<Self, Refusal> {
        let length = key.chars().count();
        if length == 0 || length > MAX_KEY_CHARS || key.chars().any(char::is_control) {
            return Err(Refusal::invalid(
                "Idempotency-Key",
                format!("a key has 1 to {MAX_KEY_CHARS} printable characters"),
            ));
        }
        Ok(Self { scope: scope.to_owned(), key: key.to_owned(), body_hash: hex_hash(body) })
    }
}

/// SHA-256 as small hexadecimal digits.
pub(crate) fn hex_hash(bytes: &[u8]) -> String {
    use std::fmt::Write;
    Sha256::digest(bytes).iter().fold(String::with_capacity(64), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// What is kept of the first answer.
#[derive(Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kept<A> {
    Done(A),
    Refused(Refusal),
}

/// Claims the key in this transaction. If it was used before: what was said then.
///
/// On PostgreSQL the insert waits for a transaction that holds the same key, up to the lock
/// time-out; on SQLite the write lock does the same.
pub(crate) async fn claim<A: DeserializeOwned>(
    tx: &mut Tx,
    key: &Key,
) -> Result<Option<Result<A, Refusal>>, Failure> {
    let claimed = sqlx::query(
        "INSERT INTO answer_key (scope, key, body_hash, answer, made_ms) VALUES ($1, $2, $3, NULL, $4) \
         ON CONFLICT DO NOTHING",
    )
    .bind(key.scope.clone())
    .bind(key.key.clone())
    .bind(key.body_hash.clone())
    .bind(tx.now().millis())
    .execute(tx.db())
    .await
    .map_err(|error| match Trouble::from(error) {
        Trouble::Busy(_) => Failure::from(Refusal::StillRunning),
        other => other.into(),
    })?;
    if claimed.rows_affected() == 1 {
        return Ok(None);
    }
    let row = sqlx::query(KEPT).bind(key.scope.clone()).bind(key.key.clone()).fetch_one(tx.db()).await?;
    read_kept(&row, key).map(Some)
}

/// The answer that is kept in a row, or why there is none.
fn read_kept<A: DeserializeOwned>(row: &AnyRow, key: &Key) -> Result<Result<A, Refusal>, Failure> {
    if row.try_get::<String, _>(0)? != key.body_hash {
        return Err(Refusal::KeyReused.into());
    }
    let Some(answer) = row.try_get::<Option<String>, _>(1)? else {
        return Err(Refusal::StillRunning.into());
    };
    match serde_json::from_str(&answer).map_err(Trouble::KeptAnswer)? {
        Kept::Done(answer) => Ok(Ok(answer)),
        Kept::Refused(refusal) => Ok(Err(refusal)),
    }
}

const KEPT: &str = "SELECT body_hash, answer FROM answer_key WHERE scope = $1 AND key = $2";

/// Keeps the answer of the command with its key.
pub(crate) async fn keep<A: Serialize>(tx: &mut Tx, key: &Key, answer: &A) -> Result<(), Failure> {
    /// As [`Kept`], borrowing.
    #[derive(Serialize)]
    #[serde(rename_all = "kebab-case")]
    enum Keep<'a, A> {
        Done(&'a A),
    }
    write(tx, key, &Keep::Done(answer)).await
}

/// Keeps a refusal with its key, which was claimed before.
pub(crate) async fn keep_refusal(tx: &mut Tx, key: &Key, refusal: &Refusal) -> Result<(), Failure> {
    write(tx, key, &Kept::<()>::Refused(refusal.clone())).await
}

async fn write(tx: &mut Tx, key: &Key, kept: &impl Serialize) -> Result<(), Failure> {
    let answer = serde_json::to_string(kept).map_err(Trouble::KeptAnswer)?;
    sqlx::query("UPDATE answer_key SET answer = $3 WHERE scope = $1 AND key = $2")
        .bind(key.scope.clone())
        .bind(key.key.clone())
        .bind(answer)
        .execute(tx.db())
        .await?;
    Ok(())
}

impl Ledger {
    /// What was answered to a key, without claiming it: for work that is done in many transactions,
    /// none of which is the one that keeps the answer.
    pub async fn answered<A: DeserializeOwned>(&self, key: &Key) -> Result<Option<A>, Failure> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(KEPT)
            .bind(key.scope.clone())
            .bind(key.key.clone())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| Ok(read_kept(&row, key)??)).transpose()
    }
}
