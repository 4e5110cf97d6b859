//! Who is signed in: one row for each browser, found by the hash of its cookie.

use super::persons::stored_role;
use super::second_factor::{self, SecondProof};
use super::secret::{Phc, SecretHash};
use super::tries::TryOf;
use super::{known, persons};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use crate::store::rejection::Rejection;
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{DeviceId, PersonId, SessionId};
use domain::people::Role;
use serde::{Deserialize, Serialize};
use sqlx::Row;

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;
/// How exactly “last seen” is kept: a page an instant would write an instant.
const SEEN_EVERY_MS: i64 = MINUTE_MS;
/// Sessions of one person at once: far above anybody's browsers; the oldest ends.
const MAX_SESSIONS: i64 = 50;
/// How long a password that was given counts as just given: a page of changes, and no lunch (OWASP ASVS 5.0.0,
/// 7.5.1 names no time; the shop's own).
pub const CONFIRMED_FOR_MS: i64 = 10 * MINUTE_MS;

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

    fn stored(by_pin: i64) -> Self {
        if by_pin == 1 { Self::Pin } else { Self::Password }
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
    /// What shows the second factor; a password alone does not sign in whoever has one.
    pub second: Option<SecondProof>,
    /// The hash of the new session's cookie.
    pub session: SecretHash,
    /// What its forms bring along.
    pub form_token: String,
    /// The device that it is on, if it is enrolled.
    pub device: Option<DeviceId>,
    /// The session that the browser had.
    pub before: Option<SecretHash>,
    /// The browser's cookie from now on, and the one that it had: it is known to this person then.
    pub known: Option<known::Known>,
    /// From where, as its person sees it in the list of their sessions.
    pub address: String,
    /// In what browser, in a few words.
    pub browser: String,
    /// The try that this was.
    pub tried: TryOf,
}

#[async_trait]
impl Command for SignIn {
    /// The end of the session, if it is used until then.
    type Answer = Moment;

    async fn run(&self, tx: &mut Tx) -> Result<Moment, CommandError> {
        let now = tx.now();
        let held = match self.by {
            By::Password => {
                "UPDATE person SET password = COALESCE($3, password), pin_failures = 0 \
                 WHERE id = $1 AND password = $2 AND ended_ms IS NULL"
            }
            By::Pin => {
                "UPDATE person SET pin = COALESCE($3, pin), pin_failures = 0 \
                 WHERE id = $1 AND pin = $2 AND ended_ms IS NULL"
            }
        };
        let held = sqlx::query(held)
            .bind(self.person.raw())
            .bind(self.checked.as_str().to_owned())
            .bind(self.stronger.as_ref().map(|s| s.as_str().to_owned()))
            .execute(tx.db())
            .await?;
        if held.rows_affected() == 0 {
            return Err(Rejection::no_such("person", self.person).into());
        }
        if self.by == By::Password {
            second_factor::require(tx, self.person, self.second.as_ref()).await?;
        }
        self.tried.clear(tx).await?;
        if let Some(before) = &self.before {
            end(tx, before).await?;
        }
        if let Some(known) = &self.known {
            known.note(tx, self.person).await?;
        }
        self.make_room(tx, now).await?;
        let until = now.plus_millis(self.by.lasts_ms());
        self.write(tx, now, until).await?;
        Ok(until)
    }
}

impl SignIn {
    async fn make_room(&self, tx: &mut Tx, now: Moment) -> Result<(), CommandError> {
        sqlx::query("DELETE FROM session WHERE until_ms <= $1").bind(now.millis()).execute(tx.db()).await?;
        sqlx::query(
            "DELETE FROM session WHERE person_id = $1 AND id NOT IN \
             (SELECT id FROM session WHERE person_id = $1 ORDER BY id DESC LIMIT $2)",
        )
        .bind(self.person.raw())
        .bind(MAX_SESSIONS - 1)
        .execute(tx.db())
        .await?;
        Ok(())
    }

    async fn write(&self, tx: &mut Tx, now: Moment, until: Moment) -> Result<(), CommandError> {
        let id = tx.next_id()?;
        let confirmed = if self.by == By::Password { now.millis() } else { 0 };
        sqlx::query(
            "INSERT INTO session (token_hash, person_id, device_id, form_token, by_pin, made_ms, seen_ms, until_ms, \
             id, confirmed_ms, address, browser) VALUES ($1, $2, $3, $4, $5, $6, $6, $7, $8, $9, $10, $11)",
        )
        .bind(self.session.as_str().to_owned())
        .bind(self.person.raw())
        .bind(self.device.map(DeviceId::raw))
        .bind(self.form_token.clone())
        .bind(i64::from(self.by == By::Pin))
        .bind(now.millis())
        .bind(until.millis())
        .bind(id)
        .bind(confirmed)
        .bind(self.address.clone())
        .bind(self.browser.clone())
        .execute(tx.db())
        .await?;
        Ok(())
    }
}

async fn end(tx: &mut Tx, session: &SecretHash) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM session WHERE token_hash = $1")
        .bind(session.as_str().to_owned())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Notes that a session's person has given their password again: for a while, its changes ask for nothing. The
/// session gets a new cookie (OWASP ASVS 5.0.0, 7.2.4).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Confirm {
    /// Which session.
    pub session: SessionId,
    /// Its person.
    pub person: PersonId,
    /// The hash of its new cookie.
    pub cookie: SecretHash,
    /// What the password was checked against.
    pub checked: Phc,
    /// What shows the second factor, for whoever has one.
    pub second: Option<SecondProof>,
    /// The try that this was.
    pub tried: TryOf,
}

#[async_trait]
impl Command for Confirm {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let now = tx.now();
        second_factor::require(tx, self.person, self.second.as_ref()).await?;
        persons::hold_password(tx, self.person, &self.checked).await?;
        let noted = sqlx::query(
            "UPDATE session SET confirmed_ms = $3, token_hash = $4 \
             WHERE id = $1 AND person_id = $2 AND by_pin = 0 AND until_ms > $3",
        )
        .bind(self.session.raw())
        .bind(self.person.raw())
        .bind(now.millis())
        .bind(self.cookie.as_str().to_owned())
        .execute(tx.db())
        .await?;
        if noted.rows_affected() == 0 {
            return Err(Rejection::no_such("session", self.session).into());
        }
        self.tried.clear(tx).await
    }
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

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        end(tx, &self.session).await
    }
}

/// Ends one of a person's own sessions.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndSession {
    /// Whose it must be.
    pub person: PersonId,
    /// Which.
    pub session: SessionId,
}

#[async_trait]
impl Command for EndSession {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let ended = sqlx::query("DELETE FROM session WHERE id = $1 AND person_id = $2")
            .bind(self.session.raw())
            .bind(self.person.raw())
            .execute(tx.db())
            .await?;
        if ended.rows_affected() == 0 {
            return Err(Rejection::no_such("session", self.session).into());
        }
        Ok(())
    }
}

/// Ends all of a person's sessions, and forgets the browsers that knew them.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SignOutEverywhere {
    /// Whose.
    pub person: PersonId,
}

#[async_trait]
impl Command for SignOutEverywhere {
    /// How many there were.
    type Answer = u64;

    async fn run(&self, tx: &mut Tx) -> Result<u64, CommandError> {
        known::forget(tx, self.person).await?;
        let ended = sqlx::query("DELETE FROM session WHERE person_id = $1")
            .bind(self.person.raw())
            .execute(tx.db())
            .await?;
        Ok(ended.rows_affected())
    }
}

/// Who a session's browser is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionView {
    /// Its identifier.
    pub id: SessionId,
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
    /// Whether they have given their password within the last minutes.
    pub is_fresh: bool,
    /// When it ends at the latest.
    pub until: Moment,
}

/// A session in the list that its person sees.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenSession {
    /// Its identifier.
    pub id: SessionId,
    /// How they signed in.
    pub by: By,
    /// On which enrolled device.
    pub device: Option<String>,
    /// From where.
    pub address: String,
    /// In what browser.
    pub browser: String,
    /// Since when.
    pub made: Moment,
    /// When it was seen last, to the minute.
    pub seen: Moment,
}

/// A person or device that was ended meanwhile opens nothing, even if its session was begun in the
/// same instant.
const BY_HASH: &str = "SELECT s.person_id, p.name, p.role, s.form_token, s.by_pin, s.seen_ms, s.id, \
    s.confirmed_ms, s.until_ms \
    FROM session s JOIN person p ON p.id = s.person_id LEFT JOIN device d ON d.id = s.device_id \
    WHERE s.token_hash = $1 AND s.until_ms > $2 AND p.ended_ms IS NULL AND d.ended_ms IS NULL";

impl Ledger {
    /// Whose session it is, if it still lasts; notes that it was seen.
    pub async fn session(&self, session: &SecretHash) -> Result<Option<SessionView>, CommandError> {
        let now = self.now().millis();
        let mut connection = self.reader().await?;
        let row = sqlx::query(BY_HASH)
            .bind(session.as_str().to_owned())
            .bind(now)
            .fetch_optional(&mut *connection)
            .await?;
        drop(connection);
        let Some(row) = row else { return Ok(None) };
        let by = By::stored(row.try_get(4)?);
        let unseen = now - row.try_get::<i64, _>(5)?;
        if unseen >= by.idle_ms() {
            return Ok(None);
        }
        if unseen >= SEEN_EVERY_MS {
            self.see(session, now).await;
        }
        let confirmed: i64 = row.try_get(7)?;
        Ok(Some(SessionView {
            id: SessionId::from_raw(row.try_get(6)?),
            person: PersonId::from_raw(row.try_get(0)?),
            name: row.try_get(1)?,
            role: stored_role(&row.try_get::<String, _>(2)?)?,
            form_token: row.try_get(3)?,
            by,
            // A clock that was put back makes nothing fresh.
            is_fresh: (0..CONFIRMED_FOR_MS).contains(&(now - confirmed)),
            until: Moment::from_millis(row.try_get(8)?),
        }))
    }

    /// A person's sessions that still last, the one seen last first.
    pub async fn sessions(&self, person: PersonId) -> Result<Vec<OpenSession>, CommandError> {
        let now = self.now().millis();
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT s.id, s.by_pin, d.name, s.address, s.browser, s.made_ms, s.seen_ms FROM session s \
             LEFT JOIN device d ON d.id = s.device_id \
             WHERE s.person_id = $1 AND s.until_ms > $2 AND d.ended_ms IS NULL ORDER BY s.seen_ms DESC, s.id DESC",
        )
        .bind(person.raw())
        .bind(now)
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &sqlx::any::AnyRow| {
            Ok(OpenSession {
                id: SessionId::from_raw(row.try_get(0)?),
                by: By::stored(row.try_get(1)?),
                device: row.try_get(2)?,
                address: row.try_get(3)?,
                browser: row.try_get(4)?,
                made: Moment::from_millis(row.try_get(5)?),
                seen: Moment::from_millis(row.try_get(6)?),
            })
        };
        let sessions = rows.iter().map(read).collect::<Result<Vec<_>, CommandError>>()?;
        Ok(sessions.into_iter().filter(|s| now - s.seen.millis() < s.by.idle_ms()).collect())
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
