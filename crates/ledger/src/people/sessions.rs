//! Who is signed in: one row per browser, found by the hash of its cookie.

use super::persons::stored_role;
use super::second_factor::{self, SecondProof};
use super::secret::{Phc, SecretHash};
use super::tries::TryOf;
use super::{known, persons};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use crate::store::rejection::{Rejection, Thing};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{DeviceId, PersonId, SessionId};
use domain::people::Role;
use serde::{Deserialize, Serialize};
use sqlx::Row;

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;
/// The precision of “last seen”: more would write a row for every page.
const SEEN_EVERY_MS: i64 = MINUTE_MS;
/// The most sessions of one person, far more than anybody has browsers; the oldest ends.
const MAX_SESSIONS: i64 = 50;
/// How long a password counts as just entered: long enough for a page of changes, too short for a lunch
/// break (OWASP ASVS 5.0.0, 7.5.1 names no time; our own choice).
pub const CONFIRMED_FOR_MS: i64 = 10 * MINUTE_MS;

/// How somebody signed in. NIST SP 800-63B requires a new sign-in within 30 days at its lowest level,
/// and within 12 hours and after 30 minutes of inactivity at the next; a PIN gets no more than that.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum By {
    /// By password.
    Password,
    /// With a PIN on a registered device.
    Pin,
}

impl By {
    /// How long an inactive session lasts.
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

/// Signs in somebody whose password or PIN was right: begins a new session, and ends the one that the
/// browser had (OWASP ASVS 5.0.0, 7.2.4).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SignIn {
    /// Who.
    pub person: PersonId,
    /// How.
    pub by: By,
    /// The hash that was compared; if it has changed since, nobody is signed in.
    pub checked: Phc,
    /// The same password hashed again, if the stored hash is weaker than today's.
    pub stronger: Option<Phc>,
    /// Proof of the second factor, which whoever has one needs besides the password.
    pub second: Option<SecondProof>,
    /// The hash of the new session's cookie.
    pub session: SecretHash,
    /// The token that its forms must contain.
    pub form_token: String,
    /// The registered device, if it is on one.
    pub device: Option<DeviceId>,
    /// The browser's previous session.
    pub before: Option<SecretHash>,
    /// The browser's new and previous cookie; from now on it is known for this person.
    pub known: Option<known::Known>,
    /// For the list of their sessions.
    pub address: String,
    /// The browser in a few words, for the list of their sessions.
    pub browser: String,
    /// How the attempt was counted.
    pub tried: TryOf,
}

#[async_trait]
impl Command for SignIn {
    /// When the session ends, if it is used until then.
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
            return Err(Rejection::no_such(Thing::Person, self.person).into());
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

/// Records that a session's person entered their password again, so that for a while changes do not ask
/// for it. The session gets a new cookie (OWASP ASVS 5.0.0, 7.2.4).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Confirm {
    /// Which session.
    pub session: SessionId,
    /// Its person.
    pub person: PersonId,
    /// The hash of the new cookie.
    pub cookie: SecretHash,
    /// The hash that the password was compared with.
    pub checked: Phc,
    /// Proof of the second factor, for whoever has one.
    pub second: Option<SecondProof>,
    /// How the attempt was counted.
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
            return Err(Rejection::no_such(Thing::Session, self.session).into());
        }
        self.tried.clear(tx).await
    }
}

/// Ends a session; one that has ended already stays ended.
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
    /// The session must be this person's.
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
            return Err(Rejection::no_such(Thing::Session, self.session).into());
        }
        Ok(())
    }
}

/// Ends all sessions of a person, and forgets the browsers in which they were known.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SignOutEverywhere {
    /// Whose.
    pub person: PersonId,
}

#[async_trait]
impl Command for SignOutEverywhere {
    /// How many sessions ended.
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

/// The person in a session.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionView {
    /// Its identifier.
    pub id: SessionId,
    /// Who.
    pub person: PersonId,
    /// By name.
    pub name: String,
    /// Their role now.
    pub role: Role,
    /// The token that its forms must contain.
    pub form_token: String,
    /// How they signed in.
    pub by: By,
    /// Whether they entered their password a few minutes ago.
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
    /// The name of the registered device.
    pub device: Option<String>,
    /// The address it was opened from.
    pub address: String,
    /// The browser in a few words.
    pub browser: String,
    /// When it began.
    pub made: Moment,
    /// When it was last used, to the minute.
    pub seen: Moment,
}

/// A person or device that has ended in the meantime opens nothing, even if its session began at the
/// same instant.
const BY_HASH: &str = "SELECT s.person_id, p.name, p.role, s.form_token, s.by_pin, s.seen_ms, s.id, \
    s.confirmed_ms, s.until_ms \
    FROM session s JOIN person p ON p.id = s.person_id LEFT JOIN device d ON d.id = s.device_id \
    WHERE s.token_hash = $1 AND s.until_ms > $2 AND p.ended_ms IS NULL AND d.ended_ms IS NULL";

impl Ledger {
    /// Whose session it is, if it has not ended; records that it was used.
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
        let by = By::stored(row.try_get("by_pin")?);
        let unseen = now - row.try_get::<i64, _>("seen_ms")?;
        if unseen >= by.idle_ms() {
            return Ok(None);
        }
        if unseen >= SEEN_EVERY_MS {
            self.see(session, now).await;
        }
        let confirmed: i64 = row.try_get("confirmed_ms")?;
        Ok(Some(SessionView {
            id: SessionId::from_raw(row.try_get("id")?),
            person: PersonId::from_raw(row.try_get("person_id")?),
            name: row.try_get("name")?,
            role: stored_role(&row.try_get::<String, _>("role")?)?,
            form_token: row.try_get("form_token")?,
            by,
            // A clock that is set back makes nothing fresh.
            is_fresh: (0..CONFIRMED_FOR_MS).contains(&(now - confirmed)),
            until: Moment::from_millis(row.try_get("until_ms")?),
        }))
    }

    /// A person's current sessions, the last used first.
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
                id: SessionId::from_raw(row.try_get("id")?),
                by: By::stored(row.try_get("by_pin")?),
                device: row.try_get("name")?,
                address: row.try_get("address")?,
                browser: row.try_get("browser")?,
                made: Moment::from_millis(row.try_get("made_ms")?),
                seen: Moment::from_millis(row.try_get("seen_ms")?),
            })
        };
        let sessions = rows.iter().map(read).collect::<Result<Vec<_>, CommandError>>()?;
        Ok(sessions.into_iter().filter(|s| now - s.seen.millis() < s.by.idle_ms()).collect())
    }

    /// If the shop is too busy to record it now, the next page does.
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
