//! People: their roles, and what they sign in with.

use super::names::{self, NameOf};
use super::secret::Phc;
use super::tries::TryOf;
use super::{known, second_factor};
use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{PeopleReason, Rejection, Thing};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{PersonId, SessionId};
use domain::people::Role;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Stands for a missing password, as after a restore. No hash equals it, so nobody can sign in until a
/// new one is set.
pub(crate) const NO_PASSWORD: &str = "";

/// The wrong PINs after which a PIN stops working until its person signs in by password: ten of a
/// million, or of the ten thousand PINs of a counter clerk. NIST SP 800-63B revision 3, 5.2.2, would
/// allow a hundred.
pub const MAX_PIN_FAILURES: i64 = 10;

/// Adds a person. The first one must be an owner: otherwise nobody could add another.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct AddPerson {
    /// For signing in; found without case.
    pub name: String,
    /// What they are to the shop.
    pub role: Role,
    /// Hashed.
    pub password: Phc,
    /// Hashed; none if they have no PIN.
    pub pin: Option<Phc>,
    /// For the activity log.
    pub who: String,
}

/// A person, without secrets.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PersonView {
    /// Their identifier.
    pub id: PersonId,
    /// Their name.
    pub name: String,
    /// What they are to the shop.
    pub role: Role,
    /// Whether they have a PIN.
    pub has_pin: bool,
    /// Whether too many wrong PINs stopped it until they sign in by password.
    pub is_pin_dead: bool,
    /// Whether their password alone is not enough to sign in.
    pub has_second_factor: bool,
    /// When they were added.
    pub made: Moment,
}

#[async_trait]
impl Command for AddPerson {
    type Answer = PersonId;

    async fn run(&self, tx: &mut Tx) -> Result<PersonId, CommandError> {
        // One at a time, so that two first people cannot both pass.
        tx.lock_shop_state(0).await?;
        if self.role != Role::Owner && count_owners(tx).await? == 0 {
            return Err(Rejection::invalid("role", PeopleReason::FirstIsOwner).into());
        }
        add(tx, self).await
    }
}

/// Adds a person, after all checks.
pub(crate) async fn add(tx: &mut Tx, new: &AddPerson) -> Result<PersonId, CommandError> {
    let who = text::short(&new.who).field("who")?;
    let name = text::name(&new.name).field("name")?;
    names::refuse_taken(tx, &name, NameOf::Person).await?;
    let id = tx.next_id()?;
    let now = tx.now().millis();
    let added = sqlx::query(
        "INSERT INTO person (id, name, folded, role, password, pin, made_ms, ended_ms) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, NULL) ON CONFLICT (folded) WHERE ended_ms IS NULL DO NOTHING",
    )
    .bind(id)
    .bind(name.clone())
    .bind(text::fold(&name))
    .bind(new.role.code().to_owned())
    .bind(new.password.as_str().to_owned())
    .bind(new.pin.as_ref().map(|p| p.as_str().to_owned()))
    .bind(now)
    .execute(tx.db())
    .await?;
    if added.rows_affected() == 0 {
        return Err(Rejection::invalid("name", PeopleReason::PersonExists { name }).into());
    }
    activity_log::note(tx, &who, Activity::PersonAdded, &name, new.role.words()).await?;
    Ok(PersonId::from_raw(id))
}

/// A change to a PIN.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub enum PinChange {
    /// Set a new one, hashed.
    New(Phc),
    /// Remove it.
    Gone,
}

/// Changes a person; `None` leaves a value as it is.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EditPerson {
    /// Whom.
    pub person: PersonId,
    /// What they are to the shop.
    pub role: Option<Role>,
    /// Hashed; a new password ends their other sessions, except `keep`.
    pub password: Option<Phc>,
    /// A new PIN, or none; ends the sessions that were opened with the old one.
    pub pin: Option<PinChange>,
    /// The session that changes its own password.
    pub keep: Option<SessionId>,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for EditPerson {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        tx.lock_shop_state(0).await?;
        let (name, old) = read(tx, self.person).await?;
        if let Some(role) = self.role.filter(|role| *role != old) {
            set(tx, self.person, "UPDATE person SET role = $2 WHERE id = $1", Some(role.code())).await?;
            refuse_no_owner(tx).await?;
            if role == Role::Owner && self.pin.is_none() {
                // Nobody knows how many digits the PIN has, and an owner's must have more.
                set_pin(tx, self.person, None).await?;
            }
            let detail = format!("{} → {}", old.words(), role.words());
            activity_log::note(tx, &who, Activity::PersonRole, &name, &detail).await?;
        }
        if let Some(password) = &self.password {
            let text = "UPDATE person SET password = $2 WHERE id = $1";
            set(tx, self.person, text, Some(password.as_str())).await?;
            sqlx::query("DELETE FROM session WHERE person_id = $1 AND id <> $2")
                .bind(self.person.raw())
                .bind(self.keep.map_or(0, SessionId::raw))
                .execute(tx.db())
                .await?;
            known::forget(tx, self.person).await?;
            activity_log::note(tx, &who, Activity::PersonPassword, &name, "").await?;
        }
        if let Some(pin) = &self.pin {
            let (new, detail) = match pin {
                PinChange::New(pin) => (Some(pin.as_str()), "a new one"),
                PinChange::Gone => (None, "none any more"),
            };
            set_pin(tx, self.person, new).await?;
            activity_log::note(tx, &who, Activity::PersonPin, &name, detail).await?;
        }
        Ok(())
    }
}

/// Sets or removes a PIN, and ends the sessions that were opened with the old one.
async fn set_pin(tx: &mut Tx, person: PersonId, new: Option<&str>) -> Result<(), CommandError> {
    set(tx, person, "UPDATE person SET pin = $2, pin_failures = 0 WHERE id = $1", new).await?;
    sqlx::query("DELETE FROM session WHERE person_id = $1 AND by_pin = 1")
        .bind(person.raw())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Rejects if a person's password is no longer the one that was checked.
pub(super) async fn hold_password(tx: &mut Tx, person: PersonId, checked: &Phc) -> Result<(), CommandError> {
    let held = sqlx::query(
        "UPDATE person SET pin_failures = 0 WHERE id = $1 AND password = $2 AND ended_ms IS NULL",
    )
    .bind(person.raw())
    .bind(checked.as_str().to_owned())
    .execute(tx.db())
    .await?;
    if held.rows_affected() == 0 {
        return Err(Rejection::no_such(Thing::Person, person).into());
    }
    Ok(())
}

async fn set(
    tx: &mut Tx,
    person: PersonId,
    statement: &'static str,
    value: Option<&str>,
) -> Result<(), CommandError> {
    sqlx::query(statement).bind(person.raw()).bind(value.map(str::to_owned)).execute(tx.db()).await?;
    Ok(())
}

/// Ends a person's access and signs them out at once. The name stays in what they did.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndPerson {
    /// Whom.
    pub person: PersonId,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for EndPerson {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        tx.lock_shop_state(0).await?;
        let (name, role) = read(tx, self.person).await?;
        let now = tx.now().millis();
        sqlx::query("UPDATE person SET ended_ms = $2 WHERE id = $1")
            .bind(self.person.raw())
            .bind(now)
            .execute(tx.db())
            .await?;
        refuse_no_owner(tx).await?;
        sqlx::query("DELETE FROM session WHERE person_id = $1")
            .bind(self.person.raw())
            .execute(tx.db())
            .await?;
        known::forget(tx, self.person).await?;
        second_factor::remove(tx, self.person).await?;
        activity_log::note(tx, &who, Activity::PersonEnded, &name, role.words()).await
    }
}

/// What a PIN is compared with.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PinKept {
    /// Hashed.
    pub pin: Phc,
    /// An owner's PIN has more digits.
    pub role: Role,
}

/// Counts an attempt with a PIN before it is compared, so that a hundred at once count as a hundred;
/// returns what to compare it with. None if there is no PIN, or if too many wrong ones stopped it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct TryPin {
    /// Whose.
    pub person: PersonId,
    /// How the attempt is counted.
    pub of: TryOf,
}

#[async_trait]
impl Command for TryPin {
    type Answer = Option<PinKept>;

    async fn run(&self, tx: &mut Tx) -> Result<Option<PinKept>, CommandError> {
        self.of.count(tx).await?;
        let row = sqlx::query(
            "UPDATE person SET pin_failures = pin_failures + 1 WHERE id = $1 AND ended_ms IS NULL \
             AND pin IS NOT NULL AND pin_failures < $2 RETURNING pin, role",
        )
        .bind(self.person.raw())
        .bind(MAX_PIN_FAILURES)
        .fetch_optional(tx.db())
        .await?;
        row.map(|row| {
            Ok(PinKept {
                pin: Phc::new(row.try_get("pin")?)?,
                role: stored_role(&row.try_get::<String, _>("role")?)?,
            })
        })
        .transpose()
    }
}

async fn read(tx: &mut Tx, person: PersonId) -> Result<(String, Role), CommandError> {
    let row = sqlx::query("SELECT name, role FROM person WHERE id = $1 AND ended_ms IS NULL")
        .bind(person.raw())
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Person, person))?;
    Ok((row.try_get("name")?, stored_role(&row.try_get::<String, _>("role")?)?))
}

/// A role as stored in a row.
pub(super) fn stored_role(code: &str) -> Result<Role, CommandError> {
    Role::from_code(code).ok_or(code).stored("role")
}

async fn count_owners(tx: &mut Tx) -> Result<i64, CommandError> {
    let row = sqlx::query(
        "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM person WHERE role = 'owner' AND ended_ms IS NULL",
    )
    .fetch_one(tx.db())
    .await?;
    Ok(row.try_get("count")?)
}

/// Nobody could manage a shop without an owner. Locking the shop's row first lets in one such change at
/// a time.
async fn refuse_no_owner(tx: &mut Tx) -> Result<(), CommandError> {
    if count_owners(tx).await? > 0 {
        return Ok(());
    }
    Err(Rejection::invalid("role", PeopleReason::LastOwner).into())
}

impl Ledger {
    /// Whether anybody was ever added; until then the shop is not set up.
    pub async fn has_people(&self) -> Result<bool, CommandError> {
        let mut connection = self.reader().await?;
        Ok(sqlx::query("SELECT id FROM person LIMIT 1").fetch_optional(&mut *connection).await?.is_some())
    }

    /// Everybody who can sign in, by name.
    pub async fn people(&self) -> Result<Vec<PersonView>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT p.id, p.name, p.role, p.pin, p.made_ms, p.pin_failures, f.state FROM person p \
             LEFT JOIN second_factor f ON f.person_id = p.id AND f.state = 'on' WHERE p.ended_ms IS NULL",
        )
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &sqlx::any::AnyRow| {
            Ok(PersonView {
                id: PersonId::from_raw(row.try_get("id")?),
                name: row.try_get("name")?,
                role: stored_role(&row.try_get::<String, _>("role")?)?,
                has_pin: row.try_get::<Option<String>, _>("pin")?.is_some(),
                is_pin_dead: row.try_get::<i64, _>("pin_failures")? >= MAX_PIN_FAILURES,
                has_second_factor: row.try_get::<Option<String>, _>("state")?.is_some(),
                made: Moment::from_millis(row.try_get("made_ms")?),
            })
        };
        let mut people = rows.iter().map(read).collect::<Result<Vec<_>, CommandError>>()?;
        people.sort_by_cached_key(|p| text::fold(&p.name));
        Ok(people)
    }

    /// The person with this name, and the hash to compare their password with.
    pub async fn password_of(&self, name: &str) -> Result<Option<(PersonId, Phc)>, CommandError> {
        let mut connection = self.reader().await?;
        let text =
            "SELECT id, password FROM person WHERE folded = $1 AND ended_ms IS NULL AND password <> $2";
        let row = sqlx::query(text)
            .bind(text::fold(name.trim()))
            .bind(NO_PASSWORD.to_owned())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| Ok((PersonId::from_raw(row.try_get("id")?), Phc::new(row.try_get("password")?)?)))
            .transpose()
    }
}
