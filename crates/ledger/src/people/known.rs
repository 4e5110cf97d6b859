//! Browsers in which a person was signed in before. Sign-in attempts from them are counted separately,
//! so that somebody who guesses elsewhere cannot lock them out. It proves nothing else.

use super::secret::SecretHash;
use crate::store::Ledger;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::ids::PersonId;
use domain::text;
use serde::{Deserialize, Serialize};

/// How long a browser is known without signing in: the longest that browsers keep a cookie (RFC
/// 6265bis, 5.5).
pub const KNOWN_FOR_MS: i64 = 400 * 24 * 60 * 60 * 1000;
/// The most known browsers of one person, far more than anybody has; those seen longest ago are
/// forgotten.
const MAX_KNOWN: i64 = 20;

/// A browser that signs in: the hash of its cookie from now on, and of the one it had. A cookie that
/// somebody else planted is worthless afterwards.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Known {
    /// The new cookie.
    pub cookie: SecretHash,
    /// The previous cookie.
    pub before: Option<SecretHash>,
}

impl Known {
    /// Remembers it for this person, and for whoever was known in it before.
    pub(super) async fn note(&self, tx: &mut Tx, person: PersonId) -> Result<(), CommandError> {
        let now = tx.now().millis();
        sqlx::query("DELETE FROM known_browser WHERE seen_ms <= $1")
            .bind(now - KNOWN_FOR_MS)
            .execute(tx.db())
            .await?;
        if let Some(before) = &self.before {
            sqlx::query("UPDATE known_browser SET secret_hash = $2 WHERE secret_hash = $1")
                .bind(before.as_str().to_owned())
                .bind(self.cookie.as_str().to_owned())
                .execute(tx.db())
                .await?;
        }
        sqlx::query(
            "INSERT INTO known_browser (secret_hash, person_id, seen_ms) VALUES ($1, $2, $3) \
             ON CONFLICT (secret_hash, person_id) DO UPDATE SET seen_ms = excluded.seen_ms",
        )
        .bind(self.cookie.as_str().to_owned())
        .bind(person.raw())
        .bind(now)
        .execute(tx.db())
        .await?;
        sqlx::query(
            "DELETE FROM known_browser WHERE person_id = $1 AND secret_hash NOT IN (SELECT secret_hash \
             FROM known_browser WHERE person_id = $1 ORDER BY seen_ms DESC LIMIT $2)",
        )
        .bind(person.raw())
        .bind(MAX_KNOWN)
        .execute(tx.db())
        .await?;
        Ok(())
    }
}

/// Forgets all browsers of a person.
pub(super) async fn forget(tx: &mut Tx, person: PersonId) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM known_browser WHERE person_id = $1").bind(person.raw()).execute(tx.db()).await?;
    Ok(())
}

impl Ledger {
    /// Whether a browser is known for the person with this name.
    pub async fn knows_browser(&self, cookie: &SecretHash, name: &str) -> Result<bool, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT k.person_id FROM known_browser k JOIN person p ON p.id = k.person_id \
             WHERE k.secret_hash = $1 AND k.seen_ms > $2 AND p.folded = $3 AND p.ended_ms IS NULL",
        )
        .bind(cookie.as_str().to_owned())
        .bind(self.now().millis() - KNOWN_FOR_MS)
        .bind(text::fold(name.trim()))
        .fetch_optional(&mut *connection)
        .await?;
        Ok(row.is_some())
    }
}
