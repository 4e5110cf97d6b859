//! Ends holds: for a sale, for an order, or by hand. Only whoever ends the row lowers the held
//! quantity.

use crate::shelf::stock::{Take, in_order};
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{Rejection, ShelfReason, Thing};
use domain::ids::{HoldGroupId, HoldId, ItemId};
use sqlx::Row;

/// A hold's row that was ended here and by nobody else.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ended {
    pub(crate) item: ItemId,
    pub(crate) stock_units: i64,
}

/// The rows of a group that a sale takes.
pub(crate) struct Group {
    /// Those that were open. The sale's own update lowers the held quantity.
    pub(crate) open: Vec<Ended>,
    /// Those that had expired, perhaps not all at once: they are taken from free stock again.
    pub(crate) ran_out: Vec<Ended>,
}

/// Takes a group's rows for a sale; from then on no other sale can use it. What is held for an order
/// belongs to the order, and a sale takes nothing of it.
pub(crate) async fn take_group(tx: &mut Tx, group: HoldGroupId) -> Result<Group, CommandError> {
    Ok(Group { open: take_rows(tx, group, "open").await?, ran_out: take_rows(tx, group, "expired").await? })
}

async fn take_rows(tx: &mut Tx, group: HoldGroupId, state: &'static str) -> Result<Vec<Ended>, CommandError> {
    let rows = sqlx::query(
        "UPDATE hold SET state = 'taken', ended_ms = $2 WHERE group_id = $1 AND state = $3 AND purpose <> 'order' \
         RETURNING item_id, stock_units",
    )
    .bind(group.raw())
    .bind(tx.now().millis())
    .bind(state.to_owned())
    .fetch_all(tx.db())
    .await?;
    rows.iter().map(read_ended).collect()
}

pub(super) fn read_ended(row: &sqlx::any::AnyRow) -> Result<Ended, CommandError> {
    Ok(Ended { item: ItemId::from_raw(row.try_get("item_id")?), stock_units: row.try_get("stock_units")? })
}

/// Lowers the held quantity by holds that were ended, and informs the outbox.
pub(crate) async fn free(tx: &mut Tx, ended: &[Ended]) -> Result<(), CommandError> {
    let takes =
        ended.iter().map(|e| Take { item: e.item, stock_units: e.stock_units, from_hold: 0 }).collect();
    let takes = in_order(takes);
    for take in &takes {
        sqlx::query("UPDATE item SET held = held - $2, revision = revision + 1 WHERE id = $1")
            .bind(take.item.raw())
            .bind(take.stock_units)
            .execute(tx.db())
            .await?;
    }
    let items: Vec<ItemId> = takes.iter().map(|t| t.item).collect();
    tx.availability_changed(&items).await
}

/// Ends one order line's hold; nothing if somebody else ended it.
pub(crate) async fn end_one(
    tx: &mut Tx,
    hold: HoldId,
    state: &'static str,
) -> Result<Option<Ended>, CommandError> {
    let row = sqlx::query(
        "UPDATE hold SET state = $3, ended_ms = $2 WHERE id = $1 AND state = 'open' RETURNING item_id, stock_units",
    )
    .bind(hold.raw())
    .bind(tx.now().millis())
    .bind(state.to_owned())
    .fetch_optional(tx.db())
    .await?;
    row.as_ref().map(read_ended).transpose()
}

/// Takes up to `steps` of an item from a hold that is released for an order. The rest stays on hold for
/// the same person. Returns how much was taken; the caller lowers `held`.
pub(crate) async fn release(
    tx: &mut Tx,
    group: HoldGroupId,
    item: ItemId,
    stock_units: i64,
) -> Result<i64, CommandError> {
    let now = tx.now().millis();
    let rows = sqlx::query(
        "UPDATE hold SET state = 'taken', ended_ms = $2 WHERE group_id = $1 AND item_id = $3 AND state = 'open' \
         AND purpose <> 'basket' RETURNING stock_units, purpose, for_whom, until_ms, held_by",
    )
    .bind(group.raw())
    .bind(now)
    .bind(item.raw())
    .fetch_all(tx.db())
    .await?;
    let Some(row) = rows.first() else { return Err(not_released(tx, group, item).await?.into()) };
    let mut held: i64 = 0;
    for row in &rows {
        held += row.try_get::<i64, _>("stock_units")?;
    }
    if held > stock_units {
        let id = tx.next_id()?;
        sqlx::query(
            "INSERT INTO hold (id, group_id, item_id, stock_units, purpose, for_whom, until_ms, state, made_ms, ended_ms, \
             held_by) VALUES ($1, $2, $3, $4, $5, $6, $7, 'open', $8, NULL, $9)",
        )
        .bind(id)
        .bind(group.raw())
        .bind(item.raw())
        .bind(held - stock_units)
        .bind(row.try_get::<String, _>("purpose")?)
        .bind(row.try_get::<String, _>("for_whom")?)
        .bind(row.try_get::<Option<i64>, _>("until_ms")?)
        .bind(now)
        .bind(row.try_get::<Option<String>, _>("held_by")?)
        .execute(tx.db())
        .await?;
    }
    Ok(held.min(stock_units))
}

async fn not_released(tx: &mut Tx, group: HoldGroupId, item: ItemId) -> Result<Rejection, CommandError> {
    let row =
        sqlx::query("SELECT state FROM hold WHERE group_id = $1 AND item_id = $2 ORDER BY id DESC LIMIT 1")
            .bind(group.raw())
            .bind(item.raw())
            .fetch_optional(tx.db())
            .await?;
    let Some(row) = row else {
        let rejection = over(tx, group).await?;
        return Ok(match rejection {
            Rejection::HoldOver { .. } => Rejection::invalid("hold", ShelfReason::HoldOfOtherItem),
            other => other,
        });
    };
    let state: String = row.try_get("state")?;
    Ok(match state.as_str() {
        "open" => Rejection::invalid("hold", ShelfReason::HoldBeingPaid),
        state => Rejection::HoldOver { id: group.to_string(), state: state.to_owned() },
    })
}

/// Ends the open rows of a group; returns those that were ended here.
pub(crate) async fn end_group(tx: &mut Tx, group: HoldGroupId) -> Result<Vec<Ended>, CommandError> {
    let rows = sqlx::query(
        "UPDATE hold SET state = 'ended', ended_ms = $2 WHERE group_id = $1 AND state = 'open' RETURNING item_id, stock_units",
    )
    .bind(group.raw())
    .bind(tx.now().millis())
    .fetch_all(tx.db())
    .await?;
    let ended = rows.iter().map(read_ended).collect::<Result<Vec<_>, _>>()?;
    free(tx, &ended).await?;
    Ok(ended)
}

/// Why a group has no open rows.
pub(crate) async fn over(tx: &mut Tx, group: HoldGroupId) -> Result<Rejection, CommandError> {
    let row = sqlx::query("SELECT state, purpose FROM hold WHERE group_id = $1 ORDER BY id LIMIT 1")
        .bind(group.raw())
        .fetch_optional(tx.db())
        .await?;
    Ok(match row {
        Some(row)
            if row.try_get::<String, _>("state")? == "open"
                && row.try_get::<String, _>("purpose")? == "order" =>
        {
            Rejection::invalid("hold", ShelfReason::HoldOfOrder)
        }
        Some(row) => Rejection::HoldOver { id: group.to_string(), state: row.try_get("state")? },
        None => Rejection::no_such(Thing::Hold, group),
    })
}
