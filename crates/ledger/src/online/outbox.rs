//! Messages that wait for a connection: one for each item whose availability changed.

use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::sql::{MAX_ROWS, padded};
use domain::day::Moment;
use domain::ids::{ConnectionId, ItemId};

/// A connection hears about items that it received or may have received, and about items that can be
/// bought, unless new pieces wait there until somebody lists them. Items that are gone but were sent as
/// available go first. Nothing is written of what the listing says already: whoever tells it again raises the
/// revision first.
const TELL: &str = "INSERT INTO outbox (connection_id, item_id, revision, rank, at_ms) \
    SELECT c.id, i.id, i.revision, \
    CASE WHEN l.state = 'listed' AND (i.do_not_list = 1 OR i.on_hand <= i.held) THEN 0 ELSE 1 END, ? \
    FROM item i CROSS JOIN connection c \
    LEFT JOIN listing l ON l.item_id = i.id AND l.connection_id = c.id \
    WHERE c.ended_ms IS NULL AND c.id BETWEEN ? AND ? AND (l.item_id IS NULL OR l.revision < i.revision) \
    AND (l.item_id IS NOT NULL \
        OR (c.new_pieces = 'list' AND i.do_not_list = 0 AND i.on_hand > i.held) \
        OR EXISTS (SELECT 1 FROM delivery d WHERE d.connection_id = c.id AND d.item_id = i.id \
            AND (d.tries > 0 OR (i.do_not_list = 0 AND i.on_hand > i.held)))) AND i.id IN ";
const ONCE: &str = " ON CONFLICT DO NOTHING RETURNING 'news' AS part, item_id AS id, revision AS value";

/// A waiting message, at their current revision, for each connection that received the items or could
/// receive them now: an item without stock, or kept off, is offered once it can be.
pub(crate) fn enqueue_listing_updates(bundle: &mut Bundle, now: Moment, items: &[ItemId]) {
    tell(bundle, now, items, (i64::MIN, i64::MAX));
}

/// The same for a single connection.
pub(crate) async fn enqueue_for_connection(
    tx: &mut Tx,
    items: &[ItemId],
    to: ConnectionId,
) -> Result<(), CommandError> {
    let mut bundle = Bundle::default();
    tell(&mut bundle, tx.now(), items, (to.raw(), to.raw()));
    tx.write(bundle).await?;
    Ok(())
}

fn tell(bundle: &mut Bundle, now: Moment, items: &[ItemId], (first, last): (i64, i64)) {
    for chunk in items.chunks(MAX_ROWS) {
        let places = vec!["?"; chunk.len().next_power_of_two()];
        let text = format!("{TELL}({}){ONCE}", places.join(", "));
        bundle.add(text, 3 + places.len(), |statement| {
            let statement = statement.bind(now.millis()).bind(first).bind(last);
            padded(chunk).fold(statement, |statement, item| statement.bind(item.raw()))
        });
    }
}
