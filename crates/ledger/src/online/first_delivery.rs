//! Sends an item to a connection for the first time. A sale informs the connections that list the item
//! or may list it soon. A sale that begins before the listing exists knows nothing of it, though its
//! piece can no longer be offered.

use crate::online::outbox::enqueue_for_connection;
use crate::shelf::stock;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::ids::{ConnectionId, ItemId};
use sqlx::{AssertSqlSafe, Row};
use std::collections::HashSet;

/// Both are also limited to the first and last of the items: a connection fills up within minutes, and
/// PostgreSQL, which believes its tables to be as small as when it last analyzed them, would read all
/// their rows each time.
const LISTED: &str = "SELECT item_id AS id FROM listing WHERE connection_id = $1 AND item_id >= $2 AND item_id <= $3 AND item_id";
const BEHIND: &str = "SELECT i.id FROM item i JOIN listing l ON l.item_id = i.id AND l.connection_id = $1 \
    AND l.item_id >= $2 AND l.item_id <= $3 WHERE l.revision < i.revision AND i.id";

/// Before listings are written: waits for whoever changes one of the items without a listing, and keeps
/// others from doing so until they can see it. Returns these items.
pub(crate) async fn begin(
    tx: &mut Tx,
    on: ConnectionId,
    items: &[ItemId],
) -> Result<Vec<ItemId>, CommandError> {
    let listed: HashSet<ItemId> = of(tx, LISTED, on, items).await?.into_iter().collect();
    let mut first: Vec<ItemId> = items.iter().copied().filter(|item| !listed.contains(item)).collect();
    first.sort_unstable();
    stock::lock(tx, &first).await?;
    Ok(first)
}

/// After they were written: whatever changed since it was read is sent.
pub(crate) async fn end(tx: &mut Tx, on: ConnectionId, first: &[ItemId]) -> Result<(), CommandError> {
    let behind = of(tx, BEHIND, on, first).await?;
    enqueue_for_connection(tx, &behind, on).await
}

/// The first and the last of some items, to limit a statement by.
pub(crate) fn span(items: &[ItemId]) -> (i64, i64) {
    let raw = |item: Option<&ItemId>| item.map_or(0, |item| item.raw());
    (raw(items.iter().min()), raw(items.iter().max()))
}

async fn of(
    tx: &mut Tx,
    text: &'static str,
    on: ConnectionId,
    items: &[ItemId],
) -> Result<Vec<ItemId>, CommandError> {
    let mut found = Vec::new();
    for chunk in items.chunks(MAX_ROWS) {
        let (first, last) = span(chunk);
        let mut statement = sqlx::query(AssertSqlSafe(in_text(text, 4, chunk.len(), "")))
            .bind(on.raw())
            .bind(first)
            .bind(last);
        for item in padded(chunk) {
            statement = statement.bind(item.raw());
        }
        for row in statement.fetch_all(tx.db()).await? {
            found.push(ItemId::from_raw(row.try_get("id")?));
        }
    }
    Ok(found)
}
