//! Law 5, said once, done once: every command may carry a key, and its first answer is kept with it.

use crate::store::Ledger;
use crate::store::actor::Actor;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::Rejection;
use crate::store::storage_error::StorageError;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use sqlx::Row;
use sqlx::any::AnyRow;

/// How long a refusal is given again: what was refused yesterday may be right today.
const REFUSED_MS: i64 = 24 * 60 * 60 * 1000;
/// Refusals that are over, taken away with each new one: more than come in, so that they do not pile up.
const SWEPT_AT_ONCE: i64 = 100;
/// Longest key that is accepted.
pub(crate) const MAX_KEY_CHARS: usize = 255;

/// A key, within its scope, and the hash of the body that it came with; and who sends it, which is no part
/// of the key but comes by the same way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    scope: String,
    key: String,
    body_hash: String,
    actor: Option<Actor>,
}

impl Key {
    /// `scope` is caller, method and path; the body is what the caller sent, byte for byte.
    pub fn new(scope: &str, key: &str, body: &[u8]) -> Result<Self, Rejection> {
        let length = key.chars().count();
        if length == 0 || length > MAX_KEY_CHARS || key.chars().any(char::is_control) {
            return Err(Rejection::invalid(
                "Idempotency-Key",
                format!("a key has 1 to {MAX_KEY_CHARS} printable characters"),
            ));
        }
        Ok(Self { scope: scope.to_owned(), key: key.to_owned(), body_hash: hex_hash(body), actor: None })
    }

    /// Sent by somebody, whose limits hold for what is done under it.
    #[must_use]
    pub fn sent_by(self, actor: Actor) -> Self {
        Self { actor: Some(actor), ..self }
    }

    pub(crate) fn actor(&self) -> Option<&Actor> {
        self.actor.as_ref()
    }
}

/// SHA-256 in lowercase hex.
pub(crate) fn hex_hash(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}

/// What is kept of the first answer.
#[derive(Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kept<A> {
    Done(A),
    Refused(Rejection),
}

/// Claims the key in this transaction. If it was used before: what was said then.
///
/// On PostgreSQL the insert waits for a transaction that holds the same key, up to the lock
/// time-out; on SQLite the write lock does the same.
pub(crate) async fn claim<A: DeserializeOwned>(
    tx: &mut Tx,
    key: &Key,
) -> Result<Option<Result<A, Rejection>>, CommandError> {
    let claimed = sqlx::query(
        "INSERT INTO idempotency_key (scope, key, body_hash, answer, made_ms, refused) VALUES ($1, $2, $3, NULL, $4, 0) \
         ON CONFLICT (scope, key) DO UPDATE SET body_hash = excluded.body_hash, answer = NULL, \
         made_ms = excluded.made_ms, refused = 0 WHERE idempotency_key.refused = 1 AND idempotency_key.made_ms <= $5",
    )
    .bind(key.scope.clone())
    .bind(key.key.clone())
    .bind(key.body_hash.clone())
    .bind(tx.now().millis())
    .bind(tx.now().millis() - REFUSED_MS)
    .execute(tx.db())
    .await
    .map_err(|error| match StorageError::from(error) {
        StorageError::Busy(_) => CommandError::from(Rejection::StillRunning),
        other => other.into(),
    })?;
    if claimed.rows_affected() == 1 {
        return Ok(None);
    }
    let row = sqlx::query(KEPT).bind(key.scope.clone()).bind(key.key.clone()).fetch_one(tx.db()).await?;
    read_kept(&row, key).map(Some)
}

/// The answer that is kept in a row, or why there is none.
fn read_kept<A: DeserializeOwned>(row: &AnyRow, key: &Key) -> Result<Result<A, Rejection>, CommandError> {
    if row.try_get::<String, _>(0)? != key.body_hash {
        return Err(Rejection::KeyReused.into());
    }
    let Some(answer) = row.try_get::<Option<String>, _>(1)? else {
        return Err(Rejection::StillRunning.into());
    };
    match serde_json::from_str(&answer).map_err(StorageError::KeptAnswer)? {
        Kept::Done(answer) => Ok(Ok(answer)),
        Kept::Refused(rejection) => Ok(Err(rejection)),
    }
}

const KEPT: &str = "SELECT body_hash, answer FROM idempotency_key WHERE scope = $1 AND key = $2";

/// Keeps the answer of the command with its key.
pub(crate) async fn keep<A: Serialize>(tx: &mut Tx, key: &Key, answer: &A) -> Result<(), CommandError> {
    /// As [`Kept`], borrowing.
    #[derive(Serialize)]
    #[serde(rename_all = "kebab-case")]
    enum Keep<'a, A> {
        Done(&'a A),
    }
    write(tx, key, &Keep::Done(answer), false).await
}

/// Keeps a refusal with its key, which was claimed before, for a day; takes away some that are older.
pub(crate) async fn keep_refusal(tx: &mut Tx, key: &Key, rejection: &Rejection) -> Result<(), CommandError> {
    write(tx, key, &Kept::<()>::Refused(rejection.clone()), true).await?;
    sqlx::query(
        "DELETE FROM idempotency_key WHERE (scope, key) IN (SELECT scope, key FROM idempotency_key \
         WHERE refused = 1 AND made_ms <= $1 ORDER BY made_ms LIMIT $2)",
    )
    .bind(tx.now().millis() - REFUSED_MS)
    .bind(SWEPT_AT_ONCE)
    .execute(tx.db())
    .await?;
    Ok(())
}

async fn write(tx: &mut Tx, key: &Key, kept: &impl Serialize, refused: bool) -> Result<(), CommandError> {
    let answer = serde_json::to_string(kept).map_err(StorageError::KeptAnswer)?;
    sqlx::query("UPDATE idempotency_key SET answer = $3, refused = $4 WHERE scope = $1 AND key = $2")
        .bind(key.scope.clone())
        .bind(key.key.clone())
        .bind(answer)
        .bind(i64::from(refused))
        .execute(tx.db())
        .await?;
    Ok(())
}

impl Ledger {
    /// What was answered to a key, without claiming it: for work that is done in many transactions,
    /// none of which is the one that keeps the answer.
    pub async fn answered<A: DeserializeOwned>(&self, key: &Key) -> Result<Option<A>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(KEPT)
            .bind(key.scope.clone())
            .bind(key.key.clone())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| Ok(read_kept(&row, key)??)).transpose()
    }
}
