//! Takes a piece that was entered by mistake out of stock, and out of everything that finds or counts pieces.

use crate::shelf::stock::{EntryReason, enter};
use crate::shelf::{holds, lookup};
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{Rejection, ShelfReason};
use domain::ids::ItemId;
use domain::stock::{ItemKind, StockReason};
use sqlx::Row;

/// The condition alone decides, as for a sale: nobody bought it, and nobody has it on hold.
const REMOVE: &str = "UPDATE item SET on_hand = 0, written_off = written_off + 1, removed = 1, revision = revision + 1 \
    WHERE id = $1 AND kind = 'piece' AND on_hand = 1 AND held = 0 AND sold = 0 RETURNING revision";

/// Removes a piece; returns its new revision.
pub(crate) async fn remove(
    tx: &mut Tx,
    item: ItemId,
    (note, who): (&str, &str),
) -> Result<i64, CommandError> {
    let removed = match try_remove(tx, item).await? {
        None if holds::expire_of_item(tx, item).await? => try_remove(tx, item).await?,
        tried => tried,
    };
    let Some(revision) = removed else { return Err(why_not(tx, item).await?.into()) };
    let because = EntryReason { why: StockReason::Mistake, source: None, note, who };
    enter(tx, &[(item, -1)], because).await?;
    Ok(revision)
}

async fn try_remove(tx: &mut Tx, item: ItemId) -> Result<Option<i64>, CommandError> {
    let row = sqlx::query(REMOVE).bind(item.raw()).fetch_optional(tx.db()).await?;
    Ok(row.map(|row| row.try_get("revision")).transpose()?)
}

async fn why_not(tx: &mut Tx, item: ItemId) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT kind, on_hand, held, sold FROM item WHERE id = $1")
        .bind(item.raw())
        .fetch_one(tx.db())
        .await?;
    let is_piece = row.try_get::<String, _>("kind")? == ItemKind::Piece.code();
    let is_free = row.try_get::<i64, _>("on_hand")? > row.try_get::<i64, _>("held")?;
    let was_sold = row.try_get::<i64, _>("sold")? > 0;
    match (is_piece, is_free && was_sold) {
        (false, _) => Ok(Rejection::invalid("code", ShelfReason::RemovesPiecesOnly)),
        (true, true) => Ok(Rejection::invalid("code", ShelfReason::RemovesUnsoldOnly)),
        (true, false) => lookup::explain(tx, item, 1).await,
    }
}
