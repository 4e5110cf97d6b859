//! Law 5: every command may have a key, under which its first answer is stored.

use crate::store::Ledger;
use crate::store::actor::Actor;
use crate::store::approval::GivenApprovals;
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{Rejection, ShopReason};
use crate::store::storage_error::StorageError;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use sqlx::Row;
use sqlx::any::AnyRow;
use std::sync::Arc;

/// How long a rejection is repeated: what was rejected yesterday may be right today.
const REFUSED_MS: i64 = 24 * 60 * 60 * 1000;
/// Expired rejections removed with each new one: more than come in, so that they do not pile up.
const SWEPT_AT_ONCE: i64 = 100;
/// The longest key, in characters.
pub(crate) const MAX_KEY_CHARS: usize = 255;

/// A key within its scope and the hash of the body it came with; and who sent it, which is not part of
/// the key but travels with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    scope: String,
    key: String,
    body_hash: String,
    actor: Option<Actor>,
    approvals: Option<Arc<GivenApprovals>>,
}

impl Key {
    /// `scope` is caller, method and path; the body is what the caller sent, byte for byte.
    pub fn new(scope: &str, key: &str, body: &[u8]) -> Result<Self, Rejection> {
        let length = key.chars().count();
        if length == 0 || length > MAX_KEY_CHARS || key.chars().any(char::is_control) {
            return Err(Rejection::invalid(
                "Idempotency-Key",
                ShopReason::IdempotencyKey { limit: MAX_KEY_CHARS },
            ));
        }
        let (scope, key) = (scope.to_owned(), key.to_owned());
        Ok(Self { scope, key, body_hash: hex_hash(body), actor: None, approvals: None })
    }

    /// Sets who sent it, whose limits apply to what is done with it.
    #[must_use]
    pub fn sent_by(self, actor: Actor) -> Self {
        Self { actor: Some(actor), ..self }
    }

    pub(crate) fn actor(&self) -> Option<&Actor> {
        self.actor.as_ref()
    }

    pub(super) fn scope(&self) -> &str {
        &self.scope
    }

    pub(super) fn body_hash(&self) -> &str {
        &self.body_hash
    }

    pub(super) fn with_approvals(self, given: Arc<GivenApprovals>) -> Self {
        Self { approvals: Some(given), ..self }
    }

    pub(super) fn given_approvals(&self) -> Option<Arc<GivenApprovals>> {
        self.approvals.clone()
    }
}

/// SHA-256 in lowercase hex.
pub(crate) fn hex_hash(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}

/// What is stored of the first answer.
#[derive(Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kept<A> {
    Done(A),
    Refused(Rejection),
}

/// Claims the key in this transaction. If it was used before, returns the answer.
///
/// On PostgreSQL the insert waits for a transaction with the same key, up to the lock time-out; on
/// SQLite the write lock does the same.
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

/// The answer stored in a row, or why there is none.
fn read_kept<A: DeserializeOwned>(row: &AnyRow, key: &Key) -> Result<Result<A, Rejection>, CommandError> {
    if row.try_get::<String, _>("body_hash")? != key.body_hash {
        return Err(Rejection::KeyReused.into());
    }
    let Some(answer) = row.try_get::<Option<String>, _>("answer")? else {
        return Err(Rejection::StillRunning.into());
    };
    match serde_json::from_str(&answer).map_err(StorageError::KeptAnswer)? {
        Kept::Done(answer) => Ok(Ok(answer)),
        Kept::Refused(rejection) => Ok(Err(rejection)),
    }
}

const KEPT: &str = "SELECT body_hash, answer FROM idempotency_key WHERE scope = $1 AND key = $2";

/// Stores the command's answer under its key, as part of a bundle.
pub(crate) fn keep<A: Serialize>(bundle: &mut Bundle, key: &Key, answer: &A) -> Result<(), StorageError> {
    /// Like [`Kept`], borrowing.
    #[derive(Serialize)]
    #[serde(rename_all = "kebab-case")]
    enum Keep<'a, A> {
        Done(&'a A),
    }
    add_answer(bundle, key, &Keep::Done(answer), false)
}

/// Stores a rejection for a day under its key, which was claimed before; removes some older ones.
pub(crate) async fn keep_refusal(tx: &mut Tx, key: &Key, rejection: &Rejection) -> Result<(), CommandError> {
    let mut bundle = Bundle::default();
    add_answer(&mut bundle, key, &Kept::<()>::Refused(rejection.clone()), true)?;
    tx.write(bundle).await?;
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

fn add_answer(
    bundle: &mut Bundle,
    key: &Key,
    kept: &impl Serialize,
    refused: bool,
) -> Result<(), StorageError> {
    let answer = serde_json::to_string(kept).map_err(StorageError::KeptAnswer)?;
    let text = "UPDATE idempotency_key SET answer = ?, refused = ? WHERE scope = ? AND key = ?";
    bundle.add(text.to_owned(), 4, |statement| {
        statement.bind(answer).bind(i64::from(refused)).bind(key.scope.clone()).bind(key.key.clone())
    });
    Ok(())
}

impl Ledger {
    /// The answer stored under a key, without claiming it: for work that takes many transactions, none
    /// of which stores the answer.
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
