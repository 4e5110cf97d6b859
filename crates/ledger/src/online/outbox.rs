//! Messages that wait for a connection: one for each item whose availability changed.

use crate::store::command::{Followed, Tx};
use crate::store::error::CommandError;
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::ids::{ConnectionId, ItemId};
use sqlx::AssertSqlSafe;

/// A connection hears about items that it received or may have received, and about items that can be
/// bought, unless new pieces wait there until somebody lists them. Items that are gone but were sent as
/// available go first.
const TELL: &str = "INSERT INTO outbox (connection_id, item_id, revision, state, rank, at_ms) \
    SELECT c.id, i.id, i.revision, 'waiting', \
    CASE WHEN l.state = 'listed' AND (i.do_not_list = 1 OR i.on_hand <= i.held) THEN 0 ELSE 1 END, $1 \
    FROM item i CROSS JOIN connection c \
    LEFT JOIN listing l ON l.item_id = i.id AND l.connection_id = c.id \
    WHERE c.ended_ms IS NULL AND c.id BETWEEN $2 AND $3 AND (l.item_id IS NOT NULL \
        OR (c.new_pieces = 'list' AND i.do_not_list = 0 AND i.on_hand > i.held) \
        OR EXISTS (SELECT 1 FROM delivery d WHERE d.connection_id = c.id AND d.item_id = i.id \
            AND (d.tries > 0 OR (i.do_not_list = 0 AND i.on_hand > i.held)))) AND i.id";

/// A waiting message, at their current revision, for each connection that received the items or could
/// receive them now: an item without stock, or kept off, is offered once it can be.
pub(crate) fn enqueue_listing_updates<'t>(tx: &'t mut Tx, items: &'t [ItemId]) -> Followed<'t> {
    Box::pin(tell(tx, items, (i64::MIN, i64::MAX)))
}

/// The same for a single connection.
pub(crate) async fn enqueue_for_connection(
    tx: &mut Tx,
    items: &[ItemId],
    to: ConnectionId,
) -> Result<(), CommandError> {
    tell(tx, items, (to.raw(), to.raw())).await
}

async fn tell(tx: &mut Tx, items: &[ItemId], (first, last): (i64, i64)) -> Result<(), CommandError> {
    let now = tx.now().millis();
    for chunk in items.chunks(MAX_ROWS) {
        let text = in_text(TELL, 4, chunk.len(), "ON CONFLICT DO NOTHING");
        let mut statement = sqlx::query(AssertSqlSafe(text)).bind(now).bind(first).bind(last);
        for item in padded(chunk) {
            statement = statement.bind(item.raw());
        }
        if statement.execute(tx.db()).await?.rows_affected() > 0 {
            tx.notify_on_commit();
        }
    }
    Ok(())
}
