//! Who acts, and how far they may go: read within the transaction that acts, so that what the owner has
//! just said holds.

use crate::people::activity_log::{self, Audited};
use crate::store::Ledger;
use crate::store::actor::Actor;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::Rejection;
use async_trait::async_trait;
use domain::limits::{AboveLimit, LimitName, Limits};
use domain::money::Currency;
use domain::people::Role;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, Row};

/// What a value is called that takes a limit back to what it is without one of its own.
const DEFAULT: &str = "default";

/// Whose limits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LimitsOf {
    /// Everybody's of a role. An owner has none.
    Role(Role),
    /// A token's own, by its name.
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

/// A role's, with a token's own before them.
async fn read(
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
            if (row.try_get::<String, _>(0)? == token) == of_this {
                let name: String = row.try_get(1)?;
                let name = LimitName::from_code(&name).ok_or(name).stored("caller_limit.name")?;
                limits.set(name, &row.try_get::<String, _>(2)?, currency).stored("caller_limit.value")?;
            }
        }
    }
    Ok(limits)
}

impl Tx {
    /// The limits of whoever acts.
    pub(crate) async fn limits(&mut self) -> Result<Limits, CommandError> {
        let currency = self.shop().currency;
        match self.actor().cloned() {
            None | Some(Actor { role: Role::Owner, token: None, .. }) => Ok(Limits::none()),
            Some(actor) => read(self.db(), currency, actor.role, actor.token.as_deref()).await,
        }
    }
}

/// Says how far a role or a token may go. What is not named stays; `default` takes a limit back.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetLimits {
    /// Whose.
    pub of: LimitsOf,
    /// Each limit with its value as it is written.
    pub values: Vec<(LimitName, String)>,
    /// Who says so.
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
            activity_log::note(tx, &who, Audited::Limits, &what, &detail).await?;
        }
        Ok(())
    }
}

/// A program that the owner has limited does not set its limits aside.
async fn refuse_limited_token(tx: &mut Tx) -> Result<(), CommandError> {
    let Some(jti) = tx.actor().and_then(|actor| actor.token.clone()) else { return Ok(()) };
    let own = sqlx::query("SELECT name FROM caller_limit WHERE caller = $1 LIMIT 1")
        .bind(of_token(&jti))
        .fetch_optional(tx.db())
        .await?;
    if own.is_none() {
        return Ok(());
    }
    let reason = "this token has limits of its own, so it may not change any; a person does that";
    Err(Rejection::invalid("limits", reason).into())
}

impl SetLimits {
    /// By what they are found, in words, of which role, of which token.
    async fn caller(&self, tx: &mut Tx) -> Result<(String, String, Role, Option<String>), CommandError> {
        // One at a time, so that what was and what is are each other's.
        tx.lock_shop_state(0).await?;
        refuse_limited_token(tx).await?;
        match &self.of {
            LimitsOf::Role(Role::Owner) => {
                let reason = "an owner has no limits; make the person a counter clerk or a maker";
                Err(Rejection::invalid("role", reason).into())
            }
            LimitsOf::Role(role) => Ok((of_role(*role), format!("every {}", role.words()), *role, None)),
            LimitsOf::Token(name) => {
                let row = sqlx::query(
                    "SELECT jti, name, role FROM api_token WHERE folded = $1 AND ended_ms IS NULL",
                )
                .bind(text::fold(name.trim()))
                .fetch_optional(tx.db())
                .await?
                .ok_or_else(|| Rejection::no_such("token", name))?;
                let jti: String = row.try_get(0)?;
                let role: String = row.try_get(2)?;
                let role = Role::from_code(&role).ok_or(role).stored("api_token.role")?;
                Ok((of_token(&jti), format!("token {}", row.try_get::<String, _>(1)?), role, Some(jti)))
            }
        }
    }
}

impl Ledger {
    /// How far a role may go, and a token of it.
    pub async fn limits(&self, role: Role, jti: Option<&str>) -> Result<Limits, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        read(&mut connection, currency, role, jti).await
    }
}
