//! Claims messages: an item has at most one on its way, whoever sends it.

use super::{bounded, lease_end};
use crate::online::first_delivery::span;
use crate::online::listings::{ListingPage, ListingRow, PAGE, ROW};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::CommandError;
use crate::store::sql::{in_text, insert_rows_returning, padded};
use crate::store::tables;
use async_trait::async_trait;
use domain::ids::{ConnectionId, ItemId};
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};
use std::collections::HashMap;

/// Claims messages: those of items that are gone first, otherwise by item. None while the connection is
/// paused or ended.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ClaimMessages {
    /// Which connection.
    pub connection: ConnectionId,
    /// The claim number, see [`Ledger::new_holder`].
    pub holder: i64,
    /// At most this many, and never more than [`super::LIVE_AT_ONCE`].
    pub limit: usize,
    /// The last item that the same drain claimed: only items after it are looked at, besides those that are
    /// gone. What was sent before it is deleted, but PostgreSQL goes through it until it is vacuumed.
    pub after: Option<ItemId>,
}

/// An item with a claimed message. Its contents are read later, so that they are the latest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Claimed {
    /// The item.
    pub item: ItemId,
    /// Whether it can no longer be bought there, and so came before the others.
    pub is_gone: bool,
    /// Which try it is, from 1. A message that needed attention before counts as tried once, whatever
    /// its outcome.
    pub tries: u32,
}

/// An item has one message: what waits is sent once, as the item is by then, and several waiting rows
/// are one. A message that needs attention comes again by itself once its item has changed. Rows that
/// are not due are excluded rather than joined: PostgreSQL expected one row from a join and sorted
/// everything that waits.
const DUE: &str = "SELECT item_id, rank FROM (SELECT o.item_id, o.rank FROM outbox o \
        WHERE o.connection_id = $1 AND o.connection_id > 1 AND o.rank = 0 \
        AND NOT EXISTS (SELECT 1 FROM delivery d WHERE d.connection_id = o.connection_id AND d.item_id = o.item_id \
            AND (d.due_ms > $2 OR d.lease_ms > $2 OR o.revision <= d.dead_letter_revision)) \
        ORDER BY o.item_id LIMIT $3) AS gone \
    UNION ALL SELECT item_id, rank FROM (SELECT o.item_id, o.rank FROM outbox o \
        WHERE o.connection_id = $1 AND o.connection_id > 1 AND o.rank = 1 AND o.item_id > $4 \
        AND NOT EXISTS (SELECT 1 FROM delivery d WHERE d.connection_id = o.connection_id AND d.item_id = o.item_id \
            AND (d.due_ms > $2 OR d.lease_ms > $2 OR o.revision <= d.dead_letter_revision)) \
        ORDER BY o.item_id LIMIT $3) AS others \
    ORDER BY rank, item_id LIMIT $3";

/// What was read before decides nothing; this does. It respects another holder's lease, its outcome and
/// its parking, and that something still waits. A holder never claims again what it still holds,
/// whatever the clock says: otherwise two messages of one item would be on their way under one number,
/// and settling the first would release the second.
const CLAIM_OR: &str = "ON CONFLICT (connection_id, item_id) DO UPDATE SET \
    tries = CASE WHEN delivery.dead_letter_revision > 0 THEN 2 ELSE delivery.tries + 1 END, \
    holder = excluded.holder, lease_ms = excluded.lease_ms \
    WHERE delivery.due_ms <= excluded.due_ms AND delivery.lease_ms <= excluded.due_ms \
    AND delivery.holder <> excluded.holder AND EXISTS (\
        SELECT 1 FROM outbox o WHERE o.connection_id = delivery.connection_id AND o.item_id = delivery.item_id \
        AND o.revision > delivery.dead_letter_revision) \
    RETURNING item_id, tries";

#[async_trait]
impl Command for ClaimMessages {
    /// The claimed messages, in the order in which to send them.
    type Answer = Vec<Claimed>;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<Vec<Claimed>, CommandError> {
        let now = tx.now().millis();
        if !may_send(tx, self.connection, now).await? {
            return Ok(Vec::new());
        }
        // Of each item its place in the order, and whether it is gone.
        let mut order: HashMap<i64, (usize, bool)> = HashMap::new();
        for row in sqlx::query(DUE)
            .bind(self.connection.raw())
            .bind(now)
            .bind(bounded(self.limit))
            .bind(self.after.map_or(-1, ItemId::raw))
            .fetch_all(tx.db())
            .await?
        {
            let place = (order.len(), row.try_get::<i64, _>("rank")? == 0);
            order.entry(row.try_get::<i64, _>("item_id")?).or_insert(place);
        }
        // By item, so that two that claim at once touch rows in the same order.
        let mut items: Vec<i64> = order.keys().copied().collect();
        items.sort_unstable();
        let lease = lease_end(tx);
        let rows = insert_rows_returning(tx.db(), &tables::DELIVERY, CLAIM_OR, &items, |statement, item| {
            let statement = statement.bind(self.connection.raw()).bind(*item).bind(now).bind(1_i64);
            statement.bind(self.holder).bind(lease).bind(0_i64).bind(0_i64).bind(String::new()).bind(0_i64)
        })
        .await?;
        let claimed = |row: &AnyRow| {
            let tries = u32::try_from(row.try_get::<i64, _>("tries")?).unwrap_or(u32::MAX);
            let item: i64 = row.try_get("item_id")?;
            let is_gone = order.get(&item).is_some_and(|(_, is_gone)| *is_gone);
            Ok(Claimed { item: ItemId::from_raw(item), is_gone, tries })
        };
        let mut claimed = rows.iter().map(claimed).collect::<Result<Vec<_>, CommandError>>()?;
        claimed.sort_by_key(|c| order.get(&c.item.raw()).copied());
        Ok(claimed)
    }
}

/// Whether a connection is neither ended nor paused.
pub(super) async fn may_send(tx: &mut Tx, connection: ConnectionId, now: i64) -> Result<bool, CommandError> {
    let found = sqlx::query(
        "SELECT c.id FROM connection c JOIN connection_state s ON s.connection_id = c.id \
         WHERE c.id = $1 AND c.ended_ms IS NULL AND s.quiet_ms <= $2",
    )
    .bind(connection.raw())
    .bind(now)
    .fetch_optional(tx.db())
    .await?;
    Ok(found.is_some())
}

/// What the online shop calls a listing, and its state there.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RemoteState {
    /// Its id there; empty if unknown.
    pub other_id: String,
    /// The `ETag` of its state; empty if unknown.
    pub etag: String,
}

impl Ledger {
    /// Items as they are now, ordered by item, and how the online shop knows them.
    pub async fn listings_of(
        &self,
        on: ConnectionId,
        items: &[ItemId],
    ) -> Result<Vec<(ListingRow, RemoteState)>, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let mut found = Vec::with_capacity(items.len());
        for chunk in items.chunks(crate::store::sql::MAX_ROWS) {
            // Before the rows: only whoever claimed an item may change it.
            let text = in_text(STOOD, 4, chunk.len(), "");
            let (first, last) = span(chunk);
            let mut statement = sqlx::query(AssertSqlSafe(text)).bind(on.raw()).bind(first).bind(last);
            for item in padded(chunk) {
                statement = statement.bind(item.raw());
            }
            let mut stood = HashMap::new();
            for row in statement.fetch_all(&mut *connection).await? {
                let of = RemoteState { other_id: row.try_get("other_id")?, etag: row.try_get("etag")? };
                stood.insert(row.try_get::<i64, _>("item_id")?, of);
            }
            let row = format!("{} AND l.item_id >= $2 AND l.item_id <= $3 WHERE i.id", *ROW);
            let text = format!("{PAGE} FROM ({}) AS page", in_text(&row, 4, chunk.len(), ""));
            let mut statement = sqlx::query(AssertSqlSafe(text)).bind(on.raw()).bind(first).bind(last);
            for item in padded(chunk) {
                statement = statement.bind(item.raw());
            }
            let page = statement.fetch_one(&mut *connection).await?;
            for row in ListingPage::read(&page, currency)?.rows()? {
                let of = stood.remove(&row.item.raw()).unwrap_or_default();
                found.push((row, of));
            }
        }
        found.sort_by_key(|(row, _)| row.item);
        Ok(found)
    }
}

const STOOD: &str = "SELECT item_id, other_id, etag FROM listing WHERE connection_id = $1 \
    AND item_id >= $2 AND item_id <= $3 AND item_id";
