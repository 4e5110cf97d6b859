//! Creates, changes and ends connections.

use crate::people::activity_log::{self, Activity};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{OnlineReason, Rejection, Thing};
use async_trait::async_trait;
use domain::channel::Channel;
use domain::ids::ConnectionId;
use domain::text::{self, TextError};
use serde::{Deserialize, Serialize};
use sqlx::Row;
use sqlx::any::AnyRow;

/// The most connections: every change of an item is recorded once for each of them.
pub const MAX_CONNECTIONS: i64 = 20;
/// The longest name, which is part of an address and of message keys.
const MAX_NAME: usize = 40;
/// The longest text, in bytes; a real one has a tenth of it.
const MAX_TEXT_BYTES: usize = 64 * 1024;

/// What happens to new items.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NewPieces {
    /// They are listed as soon as they can be bought.
    List,
    /// They wait until somebody lists them.
    Wait,
}

impl NewPieces {
    /// The code in the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::List => "list",
            Self::Wait => "wait",
        }
    }

    pub(crate) fn from_code(code: &str) -> Option<Self> {
        [Self::List, Self::Wait].into_iter().find(|n| n.code() == code)
    }
}

/// A connected online shop.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LiveConnection {
    /// Its identifier.
    pub id: ConnectionId,
    /// Its name.
    pub name: String,
    /// The channel of its orders.
    pub channel: Channel,
    /// The TOML text that describes it.
    pub text: String,
    /// What becomes of new pieces.
    pub new_pieces: NewPieces,
    /// Counts the changes of its text.
    pub revision: i64,
}

/// Saves a new or changed connection. `sync` checks before whether its text can be used.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SaveConnection {
    /// Its name.
    pub name: String,
    /// The channel of its orders.
    pub channel: Channel,
    /// The TOML text that describes it. It names secrets and never contains one.
    pub text: String,
    /// From the text.
    pub new_pieces: NewPieces,
    /// Whether it brings orders, according to its text. At most one connection per channel does: an
    /// order is identified by channel and number, and two shops choose their numbers independently.
    pub takes_orders: bool,
    /// For the activity log.
    pub who: String,
}

fn checked_name(name: &str) -> Result<String, Rejection> {
    let first = name.bytes().next().is_some_and(|b| b.is_ascii_lowercase());
    let rest = name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
    if !first || !rest || name.len() > MAX_NAME {
        return Err(Rejection::invalid("name", OnlineReason::ConnectionName { limit: MAX_NAME }));
    }
    if name == "feed" {
        return Err(Rejection::invalid("name", OnlineReason::ReservedName { name: name.to_owned() }));
    }
    Ok(name.to_owned())
}

fn checked_text(text: &str) -> Result<String, Rejection> {
    if text.len() > MAX_TEXT_BYTES {
        return Err(Rejection::invalid("text", OnlineReason::TextTooLarge { limit: MAX_TEXT_BYTES }));
    }
    if let Some(odd) = text.chars().find(|c| c.is_control() && !['\n', '\r', '\t'].contains(c)) {
        let reason = TextError::NotPrintable { code: u32::from(odd) };
        return Err(Rejection::invalid("text", reason));
    }
    Ok(text.replace("\r\n", "\n"))
}

async fn none_else_takes_orders(tx: &mut Tx, name: &str, channel: &Channel) -> Result<(), CommandError> {
    // Waits for whoever is saving another connection on the channel, so that it is seen here.
    tx.lock_channel(channel).await?;
    let other = sqlx::query(
        "SELECT name FROM connection \
         WHERE channel = $1 AND takes_orders = 1 AND ended_ms IS NULL AND name <> $2",
    )
    .bind(channel.as_str().to_owned())
    .bind(name.to_owned())
    .fetch_optional(tx.db())
    .await?;
    let Some(other) = other else { return Ok(()) };
    let reason = OnlineReason::OrdersTaken { connection: other.try_get("name")?, channel: channel.clone() };
    Err(Rejection::invalid("channel", reason).into())
}

const SAVE: &str = "INSERT INTO connection (id, name, channel, text, new_pieces, takes_orders, revision) \
    VALUES ($1, $2, $3, $4, $5, $6, 1) \
    ON CONFLICT (name) DO UPDATE SET channel = excluded.channel, text = excluded.text, \
    new_pieces = excluded.new_pieces, takes_orders = excluded.takes_orders, revision = connection.revision + 1 RETURNING id, revision";
/// Everything that is offered is gone through again whenever the connection is saved, see
/// [`super::FillConnection`].
const BEGIN: &str = "INSERT INTO connection_state (connection_id, saved_ms, filled_id, fill_due_ms, sent, refused, contact_ms, \
    quiet_ms) VALUES ($1, $2, -1, $2, 0, 0, NULL, 0) \
    ON CONFLICT (connection_id) DO UPDATE SET saved_ms = excluded.saved_ms, filled_id = -1, \
    fill_due_ms = excluded.fill_due_ms, quiet_ms = 0";

#[async_trait]
impl Command for SaveConnection {
    type Answer = ConnectionId;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<ConnectionId, CommandError> {
        let name = checked_name(&self.name)?;
        let kept = checked_text(&self.text)?;
        let who = text::short(&self.who).field("who")?;
        tx.shop().known_channel(&self.channel)?;
        if self.takes_orders {
            none_else_takes_orders(tx, &name, &self.channel).await?;
        }
        let new_id = tx.next_id()?;
        let row = sqlx::query(SAVE)
            .bind(new_id)
            .bind(name.clone())
            .bind(self.channel.as_str().to_owned())
            .bind(kept)
            .bind(self.new_pieces.code().to_owned())
            .bind(i64::from(self.takes_orders))
            .fetch_one(tx.db())
            .await?;
        let (id, revision): (i64, i64) = (row.try_get("id")?, row.try_get("revision")?);
        let now = tx.now().millis();
        sqlx::query(BEGIN).bind(id).bind(now).execute(tx.db()).await?;
        // Problems with the previous text do not concern the new one.
        sqlx::query("DELETE FROM connection_problem WHERE connection_id = $1 AND what = 'connection'")
            .bind(id)
            .execute(tx.db())
            .await?;
        let count = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM connection WHERE id > 1 AND ended_ms IS NULL",
        )
        .fetch_one(tx.db())
        .await?;
        if count.try_get::<i64, _>("count")? > MAX_CONNECTIONS {
            let reason = OnlineReason::TooManyConnections { limit: MAX_CONNECTIONS };
            return Err(Rejection::invalid("name", reason).into());
        }
        let detail = if revision == 1 { "new".to_owned() } else { format!("changed, revision {revision}") };
        activity_log::note(tx, &who, Activity::ConnectionSaved, &name, &detail).await?;
        tx.notify_on_commit();
        Ok(ConnectionId::from_raw(id))
    }
}

/// Ends a connection: nothing is sent or fetched any more. What it was sent stays as history, under a
/// name that nobody can choose, so that the name is free again.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EndConnection {
    /// Its name.
    pub name: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for EndConnection {
    type Answer = ConnectionId;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<ConnectionId, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let now = tx.now().millis();
        let row = sqlx::query(
            "UPDATE connection SET ended_ms = $2, name = name || ' #' || CAST(id AS TEXT) \
             WHERE name = $1 AND id > 1 AND ended_ms IS NULL RETURNING id",
        )
        .bind(self.name.clone())
        .bind(now)
        .fetch_optional(tx.db())
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::LiveConnection, &self.name))?;
        activity_log::note(tx, &who, Activity::ConnectionEnded, &self.name, "").await?;
        tx.notify_on_commit();
        Ok(ConnectionId::from_raw(row.try_get("id")?))
    }
}

fn read(row: &AnyRow) -> Result<LiveConnection, CommandError> {
    let new_pieces: String = row.try_get("new_pieces")?;
    Ok(LiveConnection {
        id: ConnectionId::from_raw(row.try_get("id")?),
        name: row.try_get("name")?,
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("connection.channel")?,
        text: row.try_get("text")?,
        new_pieces: NewPieces::from_code(&new_pieces).ok_or(new_pieces).stored("connection.new_pieces")?,
        revision: row.try_get("revision")?,
    })
}

impl Ledger {
    /// The connections that have not ended, by name.
    pub async fn live_connections(&self) -> Result<Vec<LiveConnection>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT id, name, channel, text, new_pieces, revision FROM connection \
             WHERE id > 1 AND ended_ms IS NULL",
        )
        .fetch_all(&mut *connection)
        .await?;
        let mut connections = rows.iter().map(read).collect::<Result<Vec<_>, _>>()?;
        connections.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(connections)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_short_and_plain() {
        let check = |name: &str, good: bool| assert_eq!(checked_name(name).is_ok(), good, "{name:?}");
        check("village", true);
        check("village-2", true);
        check(&"a".repeat(40), true);
        check(&"a".repeat(41), false);
        check("", false);
        check("2nd", false);
        check("Village", false);
        check("village shop", false);
        check("village #7", false);
        check("feed", false);
    }

    #[test]
    fn a_text_is_bounded_and_printable() {
        assert_eq!(checked_text("a = 1\r\nb = 2").unwrap(), "a = 1\nb = 2");
        assert!(checked_text("a\0").is_err());
        assert!(checked_text(&"x".repeat(64 * 1024 + 1)).is_err());
    }
}
