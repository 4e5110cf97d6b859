//! Who is acting and what they may do, read in the transaction that acts, so that a limit that the
//! owner just set already applies.

use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::actor::Actor;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{PeopleReason, Rejection, Thing};
use async_trait::async_trait;
use domain::limits::{AboveLimit, LimitName, Limits};
use domain::money::Currency;
use domain::people::Role;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, Row};

/// The value that removes a limit, so that its default applies.
const DEFAULT: &str = "default";

/// Whose limits they are.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LimitsOf {
    /// Of everybody with a role. Owners have none.
    Role(Role),
    /// Of one token, by its name.
    Token(String),
}

impl From<AboveLimit> for CommandError {
    fn from(above: AboveLimit) -> Self {
        Rejection::AboveLimit(above).into()
    }
}

fn of_role(role: Role) -> String {
    format!("role:{role}")
}

fn of_token(jti: &str) -> String {
    format!("token:{jti}")
}

/// The limits of a person with this role.
pub(super) async fn limits_of(tx: &mut Tx, role: Role) -> Result<Limits, CommandError> {
    let currency = tx.shop().currency;
    if role == Role::Owner { Ok(Limits::none()) } else { read(tx.db(), currency, role, None).await }
}

/// A role's limits, overridden by a token's own.
pub(super) async fn read(
    connection: &mut AnyConnection,
    currency: Currency,
    role: Role,
    jti: Option<&str>,
) -> Result<Limits, CommandError> {
    let token = jti.map(of_token).unwrap_or_default();
    let rows = sqlx::query("SELECT caller, name, value FROM caller_limit WHERE caller IN ($1, $2)")
        .bind(of_role(role))
        .bind(token.clone())
        .fetch_all(connection)
        .await?;
    let mut limits = Limits::of_role(role);
    for of_this in [false, true] {
        for row in &rows {
            if (row.try_get::<String, _>("caller")? == token) == of_this {
                let name: String = row.try_get("name")?;
                let name = LimitName::from_code(&name).ok_or(name).stored("caller_limit.name")?;
                limits
                    .set(name, &row.try_get::<String, _>("value")?, currency)
                    .stored("caller_limit.value")?;
            }
        }
    }
    Ok(limits)
}

impl Tx {
    /// The limits of whoever is acting.
    pub(crate) async fn limits(&mut self) -> Result<Limits, CommandError> {
        let currency = self.shop().currency;
        match self.actor().cloned() {
            None | Some(Actor { role: Role::Owner, token: None, .. }) => Ok(Limits::none()),
            Some(actor) => read(self.db(), currency, actor.role, actor.token.as_deref()).await,
        }
    }
}

/// Sets the limits of a role or a token. The others stay; `default` removes a limit.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetLimits {
    /// Whose.
    pub of: LimitsOf,
    /// Limits with their written values.
    pub values: Vec<(LimitName, String)>,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for SetLimits {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let shop = tx.shop();
        let (caller, what, role, token) = self.caller(tx).await?;
        for (name, value) in &self.values {
            let mut limits = Limits::none();
            if value.trim() != DEFAULT {
                limits.set(*name, value, shop.currency).field(name.code())?;
            }
            for channel in limits.channels().unwrap_or_default() {
                shop.known_channel(channel)?;
            }
            let before = read(tx.db(), shop.currency, role, token.as_deref()).await?.written(*name);
            sqlx::query("DELETE FROM caller_limit WHERE caller = $1 AND name = $2")
                .bind(caller.clone())
                .bind(name.code().to_owned())
                .execute(tx.db())
                .await?;
            if value.trim() != DEFAULT {
                sqlx::query("INSERT INTO caller_limit (caller, name, value) VALUES ($1, $2, $3)")
                    .bind(caller.clone())
                    .bind(name.code().to_owned())
                    .bind(limits.written(*name))
                    .execute(tx.db())
                    .await?;
            }
            let after = read(tx.db(), shop.currency, role, token.as_deref()).await?.written(*name);
            let detail = format!("{}: {before} → {after}", name.code());
            activity_log::note(tx, &who, Activity::Limits, &what, &detail).await?;
        }
        Ok(())
    }
}

/// A program that the owner has limited cannot remove its limits.
async fn refuse_limited_token(tx: &mut Tx) -> Result<(), CommandError> {
    let Some(jti) = tx.actor().and_then(|actor| actor.token.clone()) else { return Ok(()) };
    let own = sqlx::query("SELECT name FROM caller_limit WHERE caller = $1 LIMIT 1")
        .bind(of_token(&jti))
        .fetch_optional(tx.db())
        .await?;
    if own.is_none() {
        return Ok(());
    }
    Err(Rejection::invalid("limits", PeopleReason::LimitedToken).into())
}

impl SetLimits {
    /// The keys to find them by, in words, for which role, and for which token.
    async fn caller(&self, tx: &mut Tx) -> Result<(String, String, Role, Option<String>), CommandError> {
        // One at a time, so that the values before and after belong together.
        tx.lock_shop_state(0).await?;
        refuse_limited_token(tx).await?;
        match &self.of {
            LimitsOf::Role(Role::Owner) => {
                Err(Rejection::invalid("role", PeopleReason::OwnerHasNoLimits).into())
            }
            LimitsOf::Role(role) => Ok((of_role(*role), format!("every {}", role.words()), *role, None)),
            LimitsOf::Token(name) => {
                let row = sqlx::query(
                    "SELECT jti, name, role FROM api_token WHERE folded = $1 AND ended_ms IS NULL",
                )
                .bind(text::fold(name.trim()))
                .fetch_optional(tx.db())
                .await?
                .ok_or_else(|| Rejection::no_such(Thing::Token, name))?;
                let jti: String = row.try_get("jti")?;
                let role: String = row.try_get("role")?;
                let role = Role::from_code(&role).ok_or(role).stored("api_token.role")?;
                Ok((of_token(&jti), format!("token {}", row.try_get::<String, _>("name")?), role, Some(jti)))
            }
        }
    }
}

impl Ledger {
    /// The limits of a role and, if given, of a token with it.
    pub async fn limits(&self, role: Role, jti: Option<&str>) -> Result<Limits, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        read(&mut connection, currency, role, jti).await
    }
}
