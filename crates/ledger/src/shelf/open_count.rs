//! A stock count compares identifiers to tell what happened before it from what happened during it. Another
//! process may have begun or scanned it, and that process's clock may be ahead, so whatever must be later says so.

use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::ids::ItemId;

const BEGUN: &str = "SELECT MAX(id) AS last_id FROM stock_count WHERE state = 'open' AND id > $1";
const SCANNED: &str = "SELECT MAX(CASE WHEN l.mark > t.id THEN l.mark ELSE t.id END) AS last_id FROM stock_count t \
    LEFT JOIN stock_count_line l ON l.stock_count_id = t.id AND l.item_id = $1 WHERE t.state = 'open'";
const COUNTED: &str = "SELECT MAX(id) AS last_id FROM stock_entry WHERE item_id = $1 AND reason = 'count'";
const ENTERED: &str = "SELECT MAX(id) AS last_id FROM stock_entry WHERE id > $1";
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
