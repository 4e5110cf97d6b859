//! Tokens of devices and programs. What they may do is looked up at every request, so ending one works
//! at once, whatever the token itself says.

use super::names::{self, NameOf};
use super::persons::stored_role;
use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{PeopleReason, Rejection, Thing};
use async_trait::async_trait;
use domain::day::Moment;
use domain::people::Role;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// Adds a token. It is signed outside, from these values.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct AddToken {
    /// Random (RFC 7519, 4.1.7).
    pub jti: String,
    /// The name in the activity log for what it does.
    pub name: String,
    /// The role whose permissions it has.
    pub role: Role,
    /// When it expires.
    pub until: Moment,
    /// For the activity log.
    pub who: String,
}

/// A token, without its text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenView {
    /// Its identifier.
    pub jti: String,
    /// What it is called.
    pub name: String,
    /// The role whose permissions it has.
    pub role: Role,
    /// Who made it.
    pub made_by: String,
    /// When.
    pub made: Moment,
    /// Until when.
    pub until: Moment,
}

#[async_trait]
impl Command for AddToken {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let name = text::name(&self.name).field("name")?;
        let now = tx.now();
        if self.until <= now {
            return Err(Rejection::invalid("until", PeopleReason::TokenEndsInPast).into());
        }
        names::refuse_taken(tx, &name, NameOf::Token).await?;
        let added = sqlx::query(
            "INSERT INTO api_token (jti, name, folded, role, made_by, made_ms, until_ms, ended_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, NULL) ON CONFLICT (folded) WHERE ended_ms IS NULL DO NOTHING",
        )
        .bind(self.jti.clone())
        .bind(name.clone())
        .bind(text::fold(&name))
        .bind(self.role.code().to_owned())
        .bind(who.clone())
        .bind(now.millis())
        .bind(self.until.millis())
        .execute(tx.db())
        .await?;
        if added.rows_affected() == 0 {
            return Err(Rejection::invalid("name", PeopleReason::TokenExists { name }).into());
        }
        let detail = format!("{}, until {}", self.role.words(), self.until);
        activity_log::note(tx, &who, Activity::TokenAdded, &name, &detail).await
    }
}

/// Ends a token by its name.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndToken {
    /// Which.
    pub name: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for EndToken {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let now = tx.now().millis();
        let row = sqlx::query(
            "UPDATE api_token SET ended_ms = $2 WHERE folded = $1 AND ended_ms IS NULL RETURNING name",
        )
        .bind(text::fold(self.name.trim()))
        .bind(now)
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Token, &self.name))?;
        let name: String = row.try_get("name")?;
        activity_log::note(tx, &who, Activity::TokenEnded, &name, "").await
    }
}

const COLUMNS: &str =
    "SELECT jti, name, role, made_by, made_ms, until_ms FROM api_token WHERE ended_ms IS NULL";
const BY_JTI: &str = "SELECT jti, name, role, made_by, made_ms, until_ms FROM api_token \
    WHERE jti = $1 AND ended_ms IS NULL AND until_ms > $2";

fn read(row: &AnyRow) -> Result<TokenView, CommandError> {
    Ok(TokenView {
        jti: row.try_get("jti")?,
        name: row.try_get("name")?,
        role: stored_role(&row.try_get::<String, _>("role")?)?,
        made_by: row.try_get("made_by")?,
        made: Moment::from_millis(row.try_get("made_ms")?),
        until: Moment::from_millis(row.try_get("until_ms")?),
    })
}

impl Ledger {
    /// The token with this identifier, if it may still be used.
    pub async fn token(&self, jti: &str) -> Result<Option<TokenView>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(BY_JTI)
            .bind(jti.to_owned())
            .bind(self.now().millis())
            .fetch_optional(&mut *connection)
            .await?;
        row.as_ref().map(read).transpose()
    }

    /// Tokens that were not ended, expired ones included, by name.
    pub async fn tokens(&self) -> Result<Vec<TokenView>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(COLUMNS).fetch_all(&mut *connection).await?;
        let mut tokens = rows.iter().map(read).collect::<Result<Vec<_>, CommandError>>()?;
        tokens.sort_by_cached_key(|t| text::fold(&t.name));
        Ok(tokens)
    }
}
