//! What sales and voids do to custom orders.

use crate::sales::booking::Draft;
use crate::store::bundle::Bundle;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::ids::{CustomOrderId, ItemId, SaleId};
use sqlx::Row;

/// The customer's orders whose pieces are among what they buy.
pub(crate) async fn made_of(tx: &mut Tx, draft: &Draft) -> Result<Vec<CustomOrderId>, CommandError> {
    let Some(customer) = draft.party.customer else { return Ok(Vec::new()) };
    let rows = sqlx::query(
        "SELECT id, item_id FROM custom_order WHERE customer_id = $1 AND state = 'made' ORDER BY id",
    )
    .bind(customer.raw())
    .fetch_all(tx.db())
    .await?;
    let mut made = Vec::new();
    for row in &rows {
        let item = ItemId::from_raw(row.try_get("item_id")?);
        if draft.lines.iter().any(|line| line.item == Some(item)) {
            made.push(CustomOrderId::from_raw(row.try_get("id")?));
        }
    }
    Ok(made)
}

/// Ends orders with the sale of their pieces, as parts of the bundle that books it. An order that was canceled
/// meanwhile stays so.
pub(crate) fn add_collected(
    tx: &Tx,
    orders: &[CustomOrderId],
    (sale, who): (SaleId, &str),
    bundle: &mut Bundle,
) {
    let now = tx.now().millis();
    for order in orders {
        let text = "UPDATE custom_order SET state = 'collected', sale_id = ?, ended_by = ?, ended_ms = ? \
            WHERE id = ? AND state = 'made'";
        bundle.add(text.to_owned(), 4, |statement| {
            statement.bind(sale.raw()).bind(who.to_owned()).bind(now).bind(order.raw())
        });
    }
}

/// A voided sale collected nothing: the pieces are in stock again, and not on hold.
pub(crate) async fn reopen(tx: &mut Tx, sale: SaleId) -> Result<(), CommandError> {
    sqlx::query(
        "UPDATE custom_order SET state = 'made', sale_id = NULL, ended_by = '', ended_ms = NULL WHERE sale_id = $1",
    )
    .bind(sale.raw())
    .execute(tx.db())
    .await?;
    Ok(())
}
