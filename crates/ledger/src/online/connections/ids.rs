//! The online shop's own ids of listings: learned from its lists, or entered by a person.

use super::{MAX_OTHER_CHARS, at_most, others_word};
use crate::online::outbox::enqueue_for_connection;
use crate::people::activity_log::{self, Activity};
use crate::shelf::lookup;
use crate::shelf::stock::raise_revision;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{OnlineReason, Rejection};
use crate::store::sql::{MAX_ROWS, in_text, insert_rows_or, padded};
use crate::store::tables;
use async_trait::async_trait;
use domain::codes::Code;
use domain::ids::{ConnectionId, ItemId};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AssertSqlSafe, Row};
use std::collections::HashMap;

/// The hash of a listing that we never sent, which equals no other.
const NEVER_TOLD: &str = "";

/// Stores the ids in the online shop's list. A listing that we never sent exists anyway, and counts as
/// sent as it is here.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct LearnIds {
    /// Which connection.
    pub connection: ConnectionId,
    /// Items with their ids there, at most [`super::LIVE_AT_ONCE`].
    pub ids: Vec<(ItemId, String)>,
}

const LEARN: &str = "ON CONFLICT (connection_id, item_id) DO UPDATE SET other_id = excluded.other_id, \
    etag = CASE WHEN listing.other_id = excluded.other_id THEN listing.etag ELSE '' END";

#[async_trait]
impl Command for LearnIds {
    type Answer = ();

    fn is_long(&self) -> bool {
        self.ids.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        super::live(tx.db(), self.connection).await?;
        at_most("ids", self.ids.len())?;
        let now = tx.now().millis();
        let mut rows = Vec::with_capacity(self.ids.len());
        for (item, id) in &self.ids {
            let id = others_word(id);
            if id.is_empty() {
                continue;
            }
            let row = sqlx::query("SELECT revision FROM item WHERE id = $1")
                .bind(item.raw())
                .fetch_optional(tx.db())
                .await?;
            if let Some(row) = row {
                rows.push((*item, id, row.try_get::<i64, _>("revision")?));
            }
        }
        rows.sort_unstable();
        rows.dedup_by_key(|row| row.0);
        insert_rows_or(tx.db(), &tables::LISTING, LEARN, &rows, |statement, (item, id, revision)| {
            let statement = statement.bind(self.connection.raw()).bind(item.raw()).bind("listed".to_owned());
            let statement = statement.bind(*revision).bind(NEVER_TOLD.to_owned()).bind(id.clone());
            statement.bind(now).bind(String::new()).bind(0_i64)
        })
        .await?;
        let given: Vec<(ItemId, &str)> = rows.iter().map(|(item, id, _)| (*item, id.as_str())).collect();
        take_from_others(tx, self.connection, &given).await
    }
}

/// Forgets the online shop's id of a listing that is about to be created again.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ForgetId {
    /// Which connection.
    pub connection: ConnectionId,
    /// Whose.
    pub item: ItemId,
}

#[async_trait]
impl Command for ForgetId {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        super::live(tx.db(), self.connection).await?;
        sqlx::query("UPDATE listing SET other_id = '', etag = '' WHERE connection_id = $1 AND item_id = $2")
            .bind(self.connection.raw())
            .bind(self.item.raw())
            .execute(tx.db())
            .await?;
        Ok(())
    }
}

const WHOSE: &str =
    "SELECT item_id, other_id FROM listing WHERE connection_id = $1 AND other_id <> '' AND other_id";
const TAKE: &str =
    "UPDATE listing SET other_id = '', etag = '' WHERE connection_id = $1 AND item_id = $2 AND other_id = $3";

/// An id belongs to one item. A shop that was restored to an earlier state assigns its numbers again:
/// the item that had one has none any more, and is looked for before the next message.
pub(super) async fn take_from_others(
    tx: &mut Tx,
    connection: ConnectionId,
    given: &[(ItemId, &str)],
) -> Result<(), CommandError> {
    let owners: HashMap<&str, ItemId> =
        given.iter().filter(|(_, id)| !id.is_empty()).map(|(item, id)| (*id, *item)).collect();
    let mut ids: Vec<&str> = owners.keys().copied().collect();
    ids.sort_unstable();
    let mut others: Vec<(i64, String)> = Vec::new();
    for chunk in ids.chunks(MAX_ROWS) {
        let text = in_text(WHOSE, 2, chunk.len(), "");
        let mut statement = sqlx::query(AssertSqlSafe(text)).bind(connection.raw());
        for id in padded(chunk) {
            statement = statement.bind(id.to_owned());
        }
        for row in statement.fetch_all(tx.db()).await? {
            let (item, id): (i64, String) = (row.try_get("item_id")?, row.try_get("other_id")?);
            if owners.get(id.as_str()).is_some_and(|owner| owner.raw() != item) {
                others.push((item, id));
            }
        }
    }
    others.sort_unstable();
    for (item, id) in others {
        sqlx::query(TAKE).bind(connection.raw()).bind(item).bind(id).execute(tx.db()).await?;
    }
    Ok(())
}

/// Enters the online shop's id of an item, and sends its message with that at once.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EnterOtherId {
    /// Which connection.
    pub connection: ConnectionId,
    /// The item's code here.
    pub code: Code,
    /// The item's id there.
    pub other_id: String,
    /// For the activity log.
    pub who: String,
}

const ENTER: &str = "INSERT INTO listing (connection_id, item_id, state, revision, content_hash, other_id, told_ms, etag) \
    VALUES ($1, $2, 'listed', 0, '', $3, $4, '') ON CONFLICT (connection_id, item_id) DO UPDATE SET \
    other_id = excluded.other_id, state = 'listed', etag = '', content_hash = ''";
/// A message on its way is left to its sender.
const GOES_ON: &str = "UPDATE delivery SET dead_letter_revision = 0, due_ms = 0, tries = 1 \
    WHERE connection_id = $1 AND item_id = $2 AND lease_ms <= $3";

fn checked(id: &str) -> Result<String, Rejection> {
    let id = id.trim();
    if id.is_empty() || others_word(id).is_empty() {
        return Err(Rejection::invalid("id", OnlineReason::NotAnId { limit: MAX_OTHER_CHARS }));
    }
    // These mean another folder in an address.
    if matches!(id, "." | "..") {
        return Err(Rejection::invalid("id", OnlineReason::IdNotInAddress { id: id.to_owned() }));
    }
    Ok(id.to_owned())
}

#[async_trait]
impl Command for EnterOtherId {
    /// The item's SKU.
    type Answer = String;

    async fn run(&self, tx: &mut Tx) -> Result<String, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let id = checked(&self.other_id)?;
        super::live(tx.db(), self.connection).await?;
        let found = lookup::find_all(tx, std::slice::from_ref(&self.code)).await?.remove(0);
        let taken = sqlx::query(
            "SELECT i.sku FROM listing l JOIN item i ON i.id = l.item_id \
             WHERE l.connection_id = $1 AND l.other_id = $2 AND l.item_id <> $3",
        )
        .bind(self.connection.raw())
        .bind(id.clone())
        .bind(found.id.raw())
        .fetch_optional(tx.db())
        .await?;
        if let Some(row) = taken {
            let reason = OnlineReason::IdTaken { id, sku: row.try_get("sku")? };
            return Err(Rejection::invalid("id", reason).into());
        }
        // The item first, as everywhere; with a revision of its own, because everything about the
        // current one may have been sent.
        raise_revision(tx, found.id, 0).await?;
        let now = tx.now().millis();
        sqlx::query(ENTER)
            .bind(self.connection.raw())
            .bind(found.id.raw())
            .bind(id.clone())
            .bind(now)
            .execute(tx.db())
            .await?;
        enqueue_for_connection(tx, &[found.id], self.connection).await?;
        sqlx::query(GOES_ON)
            .bind(self.connection.raw())
            .bind(found.id.raw())
            .bind(now)
            .execute(tx.db())
            .await?;
        activity_log::note(tx, &who, Activity::OtherIdEntered, &found.sku, &id).await?;
        tx.notify_on_commit();
        Ok(found.sku)
    }
}
