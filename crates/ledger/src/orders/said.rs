//! What the latest accepted state of an order says about each item.

use super::live::Priced;
use super::share::Share;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::sql::insert_rows;
use crate::store::tables;
use domain::ids::OrderId;
use sqlx::Row;
use std::collections::BTreeMap;

/// By the item's identifier.
pub(super) type Said = BTreeMap<i64, Share>;

/// Lines with the same item count as one: their sum is booked.
pub(super) fn of_lines(priced: &[Priced]) -> Said {
    let mut said = Said::new();
    for line in priced {
        let sum = said.entry(line.item.id.raw()).or_default();
        *sum = sum.plus(Share::of(line.quantity.stock_units(), &line.money));
    }
    said
}

pub(super) async fn read(tx: &mut Tx, order: OrderId) -> Result<Said, CommandError> {
    let rows = sqlx::query(
        "SELECT item_id, stock_units, amount, discount, tax FROM order_state_item WHERE order_id = $1",
    )
    .bind(order.raw())
    .fetch_all(tx.db())
    .await?;
    rows.iter().map(|row| Ok((row.try_get("item_id")?, Share::read(row, "")?))).collect()
}

/// Stores what a new order says.
pub(super) async fn write(tx: &mut Tx, order: OrderId, said: &Said) -> Result<(), CommandError> {
    let rows: Vec<_> = said.iter().collect();
    insert_rows(tx.db(), &tables::ORDER_STATE_ITEM, &rows, |statement, (item, share)| {
        statement
            .bind(order.raw())
            .bind(**item)
            .bind(share.stock_units)
            .bind(share.amount)
            .bind(share.discount)
            .bind(share.tax)
    })
    .await?;
    Ok(())
}

/// Replaces it with what a later state says.
pub(super) async fn replace(tx: &mut Tx, order: OrderId, said: &Said) -> Result<(), CommandError> {
    sqlx::query("DELETE FROM order_state_item WHERE order_id = $1")
        .bind(order.raw())
        .execute(tx.db())
        .await?;
    write(tx, order, said).await
}
