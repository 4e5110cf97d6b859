//! The second factor: a key with which a phone app computes codes (RFC 6238), and recovery codes in
//! case the phone is lost. Codes are computed outside. This makes sure that each is used once and that
//! guessing ends.

use super::secret::{Phc, SecretHash};
use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{PeopleReason, Rejection, Thing};
use async_trait::async_trait;
use domain::ids::PersonId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// After this many wrong codes only a recovery code signs in. One code in a million is right, so a
/// stranger who has the password has a chance of one in twenty thousand.
pub const MAX_CODE_FAILURES: i64 = 50;

/// A person's second factor.
#[derive(Clone, PartialEq, Eq)]
pub struct SecondFactor {
    /// In base32, as apps expect it.
    pub secret: String,
    /// Whether it is required; until then it is only offered.
    pub is_on: bool,
    /// Whether too many wrong codes were entered, so that only a recovery code signs in.
    pub is_locked: bool,
    /// Unused recovery codes.
    pub codes_left: i64,
}

impl std::fmt::Debug for SecondFactor {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SecondFactor").field("is_on", &self.is_on).finish_non_exhaustive()
    }
}

/// Proof that somebody has their second factor.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum SecondProof {
    /// A code from the app that was found right.
    Code {
        /// The time step of the code (RFC 6238, 4.2).
        step: i64,
    },
    /// A recovery code, hashed.
    Recovery(SecretHash),
}

impl SecondProof {
    /// Marks it as used (OWASP ASVS 5.0.0, 6.5.1); rejects if it was used before.
    pub(super) async fn spend(&self, tx: &mut Tx, person: PersonId) -> Result<(), CommandError> {
        let spent = match self {
            Self::Code { step } => {
                sqlx::query(
                    "UPDATE second_factor SET last_step = $2 \
                     WHERE person_id = $1 AND state = 'on' AND last_step < $2",
                )
                .bind(person.raw())
                .bind(*step)
                .execute(tx.db())
                .await?
            }
            Self::Recovery(code) => {
                sqlx::query("DELETE FROM recovery_code WHERE person_id = $1 AND hash = $2")
                    .bind(person.raw())
                    .bind(code.as_str().to_owned())
                    .execute(tx.db())
                    .await?
            }
        };
        if spent.rows_affected() == 0 {
            return Err(wrong_code().into());
        }
        sqlx::query("UPDATE second_factor SET failures = 0 WHERE person_id = $1")
            .bind(person.raw())
            .execute(tx.db())
            .await?;
        Ok(())
    }
}

fn wrong_code() -> Rejection {
    Rejection::invalid("code", PeopleReason::WrongCode)
}

/// Rejects somebody who has a second factor and did not prove it, so that no page can forget to ask.
pub(super) async fn require(
    tx: &mut Tx,
    person: PersonId,
    proof: Option<&SecondProof>,
) -> Result<(), CommandError> {
    if let Some(proof) = proof {
        return proof.spend(tx, person).await;
    }
    let on = sqlx::query("SELECT person_id FROM second_factor WHERE person_id = $1 AND state = 'on'")
        .bind(person.raw())
        .fetch_optional(tx.db())
        .await?;
    if on.is_some() { Err(wrong_code().into()) } else { Ok(()) }
}

/// Removes it with its codes; returns whether there was one that was on.
pub(super) async fn remove(tx: &mut Tx, person: PersonId) -> Result<bool, CommandError> {
    let was = sqlx::query("DELETE FROM second_factor WHERE person_id = $1 RETURNING state")
        .bind(person.raw())
        .fetch_optional(tx.db())
        .await?;
    let was_on = was.map(|row| row.try_get::<String, _>("state")).transpose()?.is_some_and(|s| s == "on");
    sqlx::query("DELETE FROM recovery_code WHERE person_id = $1").bind(person.raw()).execute(tx.db()).await?;
    Ok(was_on)
}

/// Offers a person a key for their app; a key that was offered before is forgotten.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct OfferSecondFactor {
    /// Whom.
    pub person: PersonId,
    /// In base32.
    pub secret: String,
}

#[async_trait]
impl Command for OfferSecondFactor {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let now = tx.now().millis();
        let offered = sqlx::query(
            "INSERT INTO second_factor (person_id, secret, state, last_step, failures, made_ms) \
             VALUES ($1, $2, 'offered', 0, 0, $3) ON CONFLICT (person_id) DO UPDATE \
             SET secret = excluded.secret, made_ms = excluded.made_ms WHERE second_factor.state = 'offered'",
        )
        .bind(self.person.raw())
        .bind(self.secret.clone())
        .bind(now)
        .execute(tx.db())
        .await?;
        if offered.rows_affected() == 0 {
            return Err(Rejection::invalid("code", PeopleReason::SecondFactorOn).into());
        }
        Ok(())
    }
}

/// Turns on a second factor after its first code was found right. Other sessions of the person end,
/// because they never proved it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TurnOnSecondFactor {
    /// Whose.
    pub person: PersonId,
    /// The key of that code, in base32.
    pub secret: String,
    /// The time step of the code, which is now used.
    pub step: i64,
    /// The recovery codes, hashed.
    pub codes: Vec<SecretHash>,
    /// The session that stays.
    pub keep: Option<domain::ids::SessionId>,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for TurnOnSecondFactor {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let turned = sqlx::query(
            "UPDATE second_factor SET state = 'on', last_step = $3, failures = 0 \
             WHERE person_id = $1 AND secret = $2 AND state = 'offered'",
        )
        .bind(self.person.raw())
        .bind(self.secret.clone())
        .bind(self.step)
        .execute(tx.db())
        .await?;
        if turned.rows_affected() == 0 {
            return Err(Rejection::invalid("code", PeopleReason::SecondFactorKeyExpired).into());
        }
        write_codes(tx, self.person, &self.codes).await?;
        sqlx::query("DELETE FROM session WHERE person_id = $1 AND id <> $2")
            .bind(self.person.raw())
            .bind(self.keep.map_or(0, domain::ids::SessionId::raw))
            .execute(tx.db())
            .await?;
        let name = name_of(tx, self.person).await?;
        activity_log::note(tx, &who, Activity::SecondFactorOn, &name, "").await
    }
}

async fn write_codes(tx: &mut Tx, person: PersonId, codes: &[SecretHash]) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM recovery_code WHERE person_id = $1").bind(person.raw()).execute(tx.db()).await?;
    for code in codes {
        sqlx::query("INSERT INTO recovery_code (hash, person_id) VALUES ($1, $2)")
            .bind(code.as_str().to_owned())
            .bind(person.raw())
            .execute(tx.db())
            .await?;
    }
    Ok(())
}

async fn name_of(tx: &mut Tx, person: PersonId) -> Result<String, CommandError> {
    let row = sqlx::query("SELECT name FROM person WHERE id = $1 AND ended_ms IS NULL")
        .bind(person.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Person, person))?;
    Ok(row.try_get("name")?)
}

/// Turns off a second factor and forgets its recovery codes: by the person, another owner, or on the
/// command line, so that nobody is locked out forever.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TurnOffSecondFactor {
    /// Whose.
    pub person: PersonId,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for TurnOffSecondFactor {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let name = name_of(tx, self.person).await?;
        if remove(tx, self.person).await? {
            return activity_log::note(tx, &who, Activity::SecondFactorOff, &name, "").await;
        }
        Err(Rejection::invalid("name", PeopleReason::SecondFactorNotOn { name }).into())
    }
}

/// Replaces all recovery codes.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct RenewRecoveryCodes {
    /// Whose.
    pub person: PersonId,
    /// The new codes, hashed.
    pub codes: Vec<SecretHash>,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for RenewRecoveryCodes {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let name = name_of(tx, self.person).await?;
        let on = sqlx::query("SELECT person_id FROM second_factor WHERE person_id = $1 AND state = 'on'")
            .bind(self.person.raw())
            .fetch_optional(tx.db())
            .await?;
        if on.is_none() {
            return Err(Rejection::invalid("code", PeopleReason::SecondFactorFirst).into());
        }
        write_codes(tx, self.person, &self.codes).await?;
        activity_log::note(tx, &who, Activity::RecoveryCodes, &name, "").await
    }
}

/// Counts a code before it is compared, so that a hundred at once count as a hundred. Rejects after too
/// many wrong codes.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct CountCode {
    /// Whose.
    pub person: PersonId,
}

#[async_trait]
impl Command for CountCode {
    /// Whether it may be compared.
    type Answer = bool;

    async fn run(&self, tx: &mut Tx) -> Result<bool, CommandError> {
        let counted = sqlx::query(
            "UPDATE second_factor SET failures = failures + 1 \
             WHERE person_id = $1 AND state = 'on' AND failures < $2",
        )
        .bind(self.person.raw())
        .bind(MAX_CODE_FAILURES)
        .execute(tx.db())
        .await?;
        Ok(counted.rows_affected() == 1)
    }
}

/// How long somebody may take to enter the code after the password.
pub const STEP_LASTS_MS: i64 = 5 * 60 * 1000;
/// The most unfinished sign-ins of one person; a new one removes the oldest.
const MAX_STOCK_UNITS: i64 = 10;

/// The password was right and the person has a second factor, so the code is missing.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct BeginStep {
    /// Who.
    pub person: PersonId,
    /// The hash that the password was compared with.
    pub checked: Phc,
    /// The hash of the cookie with which the browser goes on.
    pub step: SecretHash,
    /// The attempt, whose count is cleared.
    pub tried: super::tries::TryOf,
}

#[async_trait]
impl Command for BeginStep {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let now = tx.now();
        self.tried.clear(tx).await?;
        sqlx::query("DELETE FROM sign_in_step WHERE until_ms <= $1")
            .bind(now.millis())
            .execute(tx.db())
            .await?;
        sqlx::query(
            "DELETE FROM sign_in_step WHERE person_id = $1 AND token_hash NOT IN \
             (SELECT token_hash FROM sign_in_step WHERE person_id = $1 ORDER BY until_ms DESC LIMIT $2)",
        )
        .bind(self.person.raw())
        .bind(MAX_STOCK_UNITS - 1)
        .execute(tx.db())
        .await?;
        sqlx::query(
            "INSERT INTO sign_in_step (token_hash, person_id, checked, until_ms) VALUES ($1, $2, $3, $4)",
        )
        .bind(self.step.as_str().to_owned())
        .bind(self.person.raw())
        .bind(self.checked.as_str().to_owned())
        .bind(now.plus_millis(STEP_LASTS_MS).millis())
        .execute(tx.db())
        .await?;
        Ok(())
    }
}

/// Somebody whose password was right and whose code is missing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepView {
    /// Who.
    pub person: PersonId,
    /// By name.
    pub name: String,
    /// The hash that the password was compared with.
    pub checked: Phc,
}

impl Ledger {
    /// A person's second factor, offered or on.
    pub async fn second_factor(&self, person: PersonId) -> Result<Option<SecondFactor>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT secret, state, failures, (SELECT CAST(COUNT(*) AS BIGINT) FROM recovery_code c \
             WHERE c.person_id = f.person_id) AS codes_left FROM second_factor f WHERE f.person_id = $1",
        )
        .bind(person.raw())
        .fetch_optional(&mut *connection)
        .await?;
        row.map(|row| {
            Ok(SecondFactor {
                secret: row.try_get("secret")?,
                is_on: row.try_get::<String, _>("state")? == "on",
                is_locked: row.try_get::<i64, _>("failures")? >= MAX_CODE_FAILURES,
                codes_left: row.try_get("codes_left")?,
            })
        })
        .transpose()
    }

    /// Whose code a browser must enter, if it is not too late and the password is still the same.
    pub async fn sign_in_step(&self, step: &SecretHash) -> Result<Option<StepView>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT s.person_id, p.name, s.checked FROM sign_in_step s JOIN person p ON p.id = s.person_id \
             WHERE s.token_hash = $1 AND s.until_ms > $2 AND p.ended_ms IS NULL AND p.password = s.checked",
        )
        .bind(step.as_str().to_owned())
        .bind(self.now().millis())
        .fetch_optional(&mut *connection)
        .await?;
        row.map(|row| {
            Ok(StepView {
                person: PersonId::from_raw(row.try_get("person_id")?),
                name: row.try_get("name")?,
                checked: Phc::new(row.try_get("checked")?)?,
            })
        })
        .transpose()
    }
}
