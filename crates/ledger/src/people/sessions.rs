//! Who is signed in: one row for each browser, found by the hash of its cookie.

use super::persons::stored_role;
use super::secret::{Phc, SecretHash};
use super::tries::TryOf;
use crate::command::{Command, Tx};
use crate::error::Failure;
use crate::refusal::Refusal;
use crate::store::Ledger;
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{DeviceId, PersonId};
use domain::people::Role;
use serde::{Deserialize, Serialize};
use sqlx::Row;

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;
/// How exactly “last seen” is kept: a page an instant would write an instant.
const SEEN_EVERY_MS: i64 = MINUTE_MS;

/// How somebody signed in. NIST SP 800-63B asks for a new sign-in within 30 days at its lowest
/// level, within 12 hours and after 30 minutes of nothing at the next; a PIN opens as little as that.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum By {
    /// By password.
    Password,
    /// By PIN, on an enrolled device.
    Pin,
}

impl By {
    /// How long a session lasts in which nothing is done.
    pub const fn idle_ms(self) -> i64 {
        match self {
            Self::Password => 12 * HOUR_MS,
            Self::Pin => 30 * MINUTE_MS,
        }
    }

    /// How long a session lasts at most.
    pub const fn lasts_ms(self) -> i64 {
        match self {
            Self::Password => 7 * 24 * HOUR_MS,
            Self::Pin => 12 * HOUR_MS,
        }
    }
}

/// Signs somebody in whose password or PIN was found right: a new session, and the end of the one
/// that the browser had before (OWASP ASVS 5.0.0, 7.2.4).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SignIn {
    /// Who.
    pub person: PersonId,
    /// How.
    pub by: By,
    /// What the password or PIN was checked against; if it was changed meanwhile, it opens nothing.
    pub checked: Phc,
    /// The same password hashed anew, if the old hash is weaker than today's.
    pub stronger: Option<Phc>,
    /// The hash of the new session's cookie.
    pub session: SecretHash,
    /// What its forms bring along.
    pub form_token: String,
    /// The device that it is on, if it is enrolled.
    pub device: Option<DeviceId>,
    /// The session that the browser had.
    pub before: Option<SecretHash>,
    /// The try that this was.
    pub tried: TryOf,
}

#[async_trait]
impl Command for SignIn {
    /// The end of the session, if it is used until then.
    type Answer = Moment;

    async fn run(&self, tx: &mut Tx) -> Result<Moment, Failure> {
        let now = tx.now();
        let held = match self.by {
            By::Password => {
                "UPDATE person SET password = COALESCE($3, password) \
                 WHERE id = $1 AND password = $2 AND ended_ms IS NULL"
            }
            By::Pin => {
                "UPDATE person SET pin = COALESCE($3, pin) WHERE id = $1 AND pin = $2 AND ended_ms IS NULL"
            }
        };
        let held = sqlx::query(held)
            .bind(self.person.raw())
            .bind(self.checked.as_str().to_owned())
            .bind(self.stronger.as_ref().map(|s| s.as_str().to_owned()))
            .execute(tx.db())
            .await?;
        if held.rows_affected() == 0 {
            return Err(Refusal::no_such("person", self.person).into());
        }
        self.tried.clear(tx).await?;
        if let Some(before) = &self.before {
            end(tx, before).await?;
        }
        sqlx::query("DELETE FROM session WHERE until_ms <= $1").bind(now.millis()).execute(tx.db()).await?;
        let until = now.plus_millis(self.by.lasts_ms());
        self.write(tx, now, until).await?;
        Ok(until)
    }
}

impl SignIn {
    async fn write(&self, tx: &mut Tx, now: Moment, until: Moment) -> Result<(), Failure> {
        sqlx::query(
            "INSERT INTO session (token_hash, person_id, device_id, form_token, by_pin, made_ms, seen_ms, until_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $6, $7)",
        )
        .bind(self.session.as_str().to_owned())
        .bind(self.person.raw())
        .bind(self.device.map(DeviceId::raw))
        .bind(self.form_token.clone())
        .bind(i64::from(self.by == By::Pin))
        .bind(now.millis())
        .bind(until.millis())
        .execute(tx.db())
        .await?;
        Ok(())
    }
}

async fn end(tx: &mut Tx, session: &SecretHash) -> Result<(), Failure> {
    sqlx::query("DELETE FROM session WHERE token_hash = $1")
        .bind(session.as_str().to_owned())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Ends a session; one that is over already is over.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SignOut {
    /// Which.
    pub session: SecretHash,
}

#[async_trait]
impl Command for SignOut {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), Failure> {
        end(tx, &self.session).await
    }
}

/// Who a session's browser is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionView {
    /// Who.
    pub person: PersonId,
    /// By name.
    pub name: String,
    /// What they are to the shop now.
    pub role: Role,
    /// What its forms bring along.
    pub form_token: String,
    /// How they signed in.
    pub by: By,
}

/// A person or device that was ended meanwhile opens nothing, even if its session was begun in the
/// same instant.
const BY_HASH: &str = "SELECT s.person_id, p.name, p.role, s.form_token, s.by_pin, s.seen_ms \
    FROM session s JOIN person p ON p.id = s.person_id LEFT JOIN device d ON d.id = s.device_id \
    WHERE s.token_hash = $1 AND s.until_ms > $2 AND p.ended_ms IS NULL AND d.ended_ms IS NULL";

impl Ledger {
    /// Whose session it is, if it still lasts; notes that it was seen.
    pub async fn session(&self, session: &SecretHash) -> Result<Option<SessionView>, Failure> {
        let now = self.now().millis();
        let mut connection = self.reader().await?;
        let row = sqlx::query(BY_HASH)
            .bind(session.as_str().to_owned())
            .bind(now)
            .fetch_optional(&mut *connection)
            .await?;
        drop(connection);
        let Some(row) = row else { return Ok(None) };
        let by = if row.try_get::<i64, _>(4)? == 1 { By::Pin } else { By::Password };
        let unseen = now - row.try_get::<i64, _>(5)?;
        if unseen >= by.idle_ms() {
            return Ok(None);
        }
        if unseen >= SEEN_EVERY_MS {
            self.see(session, now).await;
        }
        Ok(Some(SessionView {
            person: PersonId::from_raw(row.try_get(0)?),
            name: row.try_get(1)?,
            role: stored_role(&row.try_get::<String, _>(2)?)?,
            form_token: row.try_get(3)?,
            by,
        }))
    }

    /// A shop that is too busy to note it now notes it at the next page.
    async fn see(&self, session: &SecretHash, now: i64) {
        let seen = sqlx::query("UPDATE session SET seen_ms = $2 WHERE token_hash = $1 AND seen_ms < $2")
            .bind(session.as_str().to_owned())
            .bind(now)
            .execute(&self.inner.writers)
            .await;
        if let Err(error) = seen {
            tracing::debug!(%error, "that a session was seen is noted at its next page");
        }
    }
}
