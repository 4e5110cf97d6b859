//! Approvals: what somebody is refused by their limits, another person with more rights lets them do, once. An
//! approval is for one act, one request, one amount and one session, and for a minute (design of ours, after the
//! override at a till; no source). It is never for people, credentials, connections or backups: it can only be
//! for a limit, and those have none.

use super::activity_log::{self, Activity};
use super::limits::{limits_of, read};
use super::persons::{MAX_PIN_FAILURES, PinKept, stored_role};
use super::second_factor::{self, SecondProof};
use super::secret::Phc;
use super::sessions::By;
use super::tries::TryOf;
use crate::store::Ledger;
use crate::store::approval::{Approved, GivenApprovals};
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use crate::store::rejection::{PeopleReason, Rejection, Thing};
use async_trait::async_trait;
use domain::ids::{ApprovalId, PersonId, SessionId};
use domain::limits::AboveLimit;
use domain::people::Role;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// How long an approval may wait for the request that it is for.
pub const APPROVED_FOR_MS: i64 = 60_000;
/// The most approvals that one request brings: one for each limit.
pub const MAX_APPROVALS: usize = domain::limits::LimitName::ALL.len();

/// Approves what another person was refused. The approver does not sign in by it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Approve {
    /// What was refused.
    pub above: AboveLimit,
    /// The request that may do it: [`Key::request_hash`](crate::Key::request_hash).
    pub request_hash: String,
    /// The session that may do it.
    pub session: SessionId,
    /// Who asks.
    pub asker: PersonId,
    /// Who approves.
    pub approver: PersonId,
    /// How the approver proved who they are.
    pub by: By,
    /// The hash that was compared; if it has changed since, nothing is approved.
    pub checked: Phc,
    /// Proof of the second factor, which whoever has one needs besides the password.
    pub second: Option<SecondProof>,
    /// How the attempt was counted.
    pub tried: TryOf,
}

#[async_trait]
impl Command for Approve {
    type Answer = ApprovalId;

    async fn run(&self, tx: &mut Tx) -> Result<ApprovalId, CommandError> {
        if self.asker == self.approver {
            return Err(Rejection::invalid("approver", PeopleReason::ApprovesOwn).into());
        }
        let asker = name_and_role(tx, self.asker).await?.0;
        let (approver, role) = self.approver(tx).await?;
        if self.by == By::Password {
            second_factor::require(tx, self.approver, self.second.as_ref()).await?;
        }
        if !limits_of(tx, role).await?.would_allow(&self.above) {
            return Err(
                Rejection::invalid("approver", PeopleReason::ApproverLimited { name: approver }).into()
            );
        }
        self.tried.clear(tx).await?;
        let id = tx.next_id()?;
        let now = tx.now();
        sqlx::query(
            "INSERT INTO approval (id, act, asked, request_hash, session_id, asker, approver, at_ms, expires_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        )
        .bind(id)
        .bind(self.above.limit.code().to_owned())
        .bind(self.above.asked.clone())
        .bind(self.request_hash.clone())
        .bind(self.session.raw())
        .bind(asker)
        .bind(approver)
        .bind(now.millis())
        .bind(now.millis() + APPROVED_FOR_MS)
        .execute(tx.db())
        .await?;
        Ok(ApprovalId::from_raw(id))
    }
}

impl Approve {
    /// The approver's name and role, if what was compared is still their password or PIN.
    async fn approver(&self, tx: &mut Tx) -> Result<(String, Role), CommandError> {
        let text = match self.by {
            By::Password => {
                "SELECT name, role FROM person WHERE id = $1 AND password = $2 AND ended_ms IS NULL"
            }
            By::Pin => "SELECT name, role FROM person WHERE id = $1 AND pin = $2 AND ended_ms IS NULL",
        };
        let row = sqlx::query(text)
            .bind(self.approver.raw())
            .bind(self.checked.as_str().to_owned())
            .fetch_optional(tx.db())
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::Person, self.approver))?;
        Ok((row.try_get("name")?, stored_role(&row.try_get::<String, _>("role")?)?))
    }
}

async fn name_and_role(tx: &mut Tx, person: PersonId) -> Result<(String, Role), CommandError> {
    let row = sqlx::query("SELECT name, role FROM person WHERE id = $1 AND ended_ms IS NULL")
        .bind(person.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Person, person))?;
    Ok((row.try_get("name")?, stored_role(&row.try_get::<String, _>("role")?)?))
}

impl Tx {
    /// Passes what a limit allows. Above it, takes an approval that the request brings, or rejects.
    pub(crate) async fn within(&mut self, allowed: Result<(), AboveLimit>) -> Result<(), CommandError> {
        let Err(above) = allowed else { return Ok(()) };
        if self.approvals().iter().any(|approved| approved.is_for(&above)) {
            return Ok(());
        }
        if let Some(given) = self.given_approvals() {
            for id in given.ids.iter().take(MAX_APPROVALS) {
                if take(self, *id, &given, &above).await? {
                    return Ok(());
                }
            }
        }
        Err(above.into())
    }
}

/// Takes an approval if it is for exactly this. The conditional update lets only one transaction have it; if that
/// one is undone, so is the taking.
async fn take(
    tx: &mut Tx,
    id: ApprovalId,
    given: &GivenApprovals,
    above: &AboveLimit,
) -> Result<bool, CommandError> {
    let row = sqlx::query(
        "UPDATE approval SET used_ms = $2 WHERE id = $1 AND used_ms IS NULL AND at_ms <= $2 AND expires_ms > $2 \
         AND act = $3 AND asked = $4 AND request_hash = $5 AND session_id = $6 RETURNING asker, approver",
    )
    .bind(id.raw())
    .bind(tx.now().millis())
    .bind(above.limit.code().to_owned())
    .bind(above.asked.clone())
    .bind(given.request_hash.clone())
    .bind(given.session.raw())
    .fetch_optional(tx.db())
    .await?;
    let Some(row) = row else { return Ok(false) };
    let (asker, approver): (String, String) = (row.try_get("asker")?, row.try_get("approver")?);
    if !may_still(tx, &approver, above).await? {
        return Err(Rejection::AboveLimit(above.clone()).into());
    }
    let detail = format!("{}, for {asker}", above.act());
    activity_log::note(tx, &approver, Activity::Approved, &asker, &detail).await?;
    tx.note_approved(Approved { limit: above.limit, asked: above.asked.clone(), by: approver });
    Ok(true)
}

/// Whether the approver is still here, and their own limits still allow it.
async fn may_still(tx: &mut Tx, approver: &str, above: &AboveLimit) -> Result<bool, CommandError> {
    let row = sqlx::query("SELECT role FROM person WHERE folded = $1 AND ended_ms IS NULL")
        .bind(text::fold(approver))
        .fetch_optional(tx.db())
        .await?;
    let Some(row) = row else { return Ok(false) };
    let role = stored_role(&row.try_get::<String, _>("role")?)?;
    Ok(limits_of(tx, role).await?.would_allow(above))
}

/// Somebody who may approve what another was refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Approver {
    /// Who.
    pub id: PersonId,
    /// Their name.
    pub name: String,
    /// Whether a PIN of theirs works on a registered device.
    pub has_pin: bool,
    /// Whether their password alone is not enough.
    pub has_second_factor: bool,
}

impl Ledger {
    /// Who may approve this for `asker`, by name.
    pub async fn approvers(
        &self,
        above: &AboveLimit,
        asker: PersonId,
    ) -> Result<Vec<Approver>, CommandError> {
        let mut approvers = Vec::new();
        for person in self.people().await? {
            if person.id == asker || !self.limits_of_person(person.role).await?.would_allow(above) {
                continue;
            }
            approvers.push(Approver {
                id: person.id,
                name: person.name,
                has_pin: person.has_pin && !person.is_pin_dead,
                has_second_factor: person.has_second_factor,
            });
        }
        Ok(approvers)
    }

    async fn limits_of_person(&self, role: Role) -> Result<domain::limits::Limits, CommandError> {
        if role == Role::Owner {
            return Ok(domain::limits::Limits::none());
        }
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        read(&mut connection, currency, role, None).await
    }

    /// What a person's PIN is compared with for an approval; none if it does not work. Nothing is counted against
    /// them: whoever asks could lock them out otherwise.
    pub async fn pin_of(&self, person: PersonId) -> Result<Option<PinKept>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT pin, role FROM person WHERE id = $1 AND ended_ms IS NULL AND pin IS NOT NULL AND pin_failures < $2",
        )
        .bind(person.raw())
        .bind(MAX_PIN_FAILURES)
        .fetch_optional(&mut *connection)
        .await?;
        row.map(|row| {
            let role = stored_role(&row.try_get::<String, _>("role")?)?;
            Ok(PinKept { pin: Phc::new(row.try_get("pin")?)?, role })
        })
        .transpose()
    }
}
