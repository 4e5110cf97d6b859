//! What happens during a stock count comes after it, although another process began or scanned it, whose
//! clock may be ahead: the count compares identifiers.

use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::ids::ItemId;

const BEGUN: &str = "SELECT MAX(id) AS last_id FROM stock_count WHERE state = 'open' AND id > $1";
const SCANNED: &str = "SELECT MAX(CASE WHEN l.mark > t.id THEN l.mark ELSE t.id END) AS last_id FROM stock_count t \
    LEFT JOIN stock_count_line l ON l.stock_count_id = t.id AND l.item_id = $1 WHERE t.state = 'open'";
const COUNTED: &str = "SELECT MAX(id) AS last_id FROM stock_entry WHERE item_id = $1 AND reason = 'count'";
const ENTERED: &str = "SELECT MAX(id) AS last_id FROM stock_entry WHERE id > $1";
const AGREED: &str = "INSERT INTO stock_count_line (stock_count_id, item_id, stock_units, booked, mark, difference, left_message, who) \
    SELECT t.id, i.id, i.on_hand, i.on_hand, CAST($2 AS BIGINT), 0, '', CAST($3 AS TEXT) FROM stock_count t \
    JOIN item i ON i.id = $1 WHERE t.state = 'open' ON CONFLICT (stock_count_id, item_id) DO UPDATE SET \
    stock_units = excluded.stock_units, booked = excluded.booked, mark = excluded.mark, who = excluded.who";

/// A single count that agrees with the books enters nothing, and is later than an earlier scan all the same:
/// the open count has it as counted.
pub(crate) async fn note_agreed(tx: &mut Tx, item: ItemId, who: &str) -> Result<(), CommandError> {
    let mark = tx.next_id()?;
    sqlx::query(AGREED).bind(item.raw()).bind(mark).bind(who.to_owned()).execute(tx.db()).await?;
    Ok(())
}

/// For what is added during a count: an item, or some of its stock.
pub(crate) async fn after_begin(tx: &mut Tx) -> Result<(), CommandError> {
    tx.after(BEGUN, 0).await
}

/// For a single count of an item during a count of all.
pub(crate) async fn after_scan(tx: &mut Tx, item: ItemId) -> Result<(), CommandError> {
    tx.after(SCANNED, item.raw()).await
}

/// For the scan of an item that was counted singly before.
pub(crate) async fn after_single_count(tx: &mut Tx, item: ItemId) -> Result<(), CommandError> {
    tx.after(COUNTED, item.raw()).await
}

/// For the begin of a count: everything that is in stock was entered before.
pub(crate) async fn after_everything(tx: &mut Tx) -> Result<(), CommandError> {
    tx.after(ENTERED, 0).await
}
