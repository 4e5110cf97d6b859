//! The piece of a custom order: made and held in one transaction, held again, or given up.

use super::Locked;
use crate::people::activity_log::{self, Activity};
use crate::shelf::holds::{self, HeldLine, Hold, Purpose};
use crate::shelf::{FinishPieces, Finished, NewPiece, PieceOutcome};
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, SalesReason, Thing};
use crate::store::storage_error::StorageError;
use async_trait::async_trait;
use domain::ids::{CustomOrderId, CustomerId, HoldGroupId, HoldId, ItemId};
use domain::quantity::{Measure, Quantity};
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Saves the piece that was made for an order, and holds it for the customer: all of it or nothing.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct MakeOrderedPiece {
    /// Which order.
    pub order: CustomOrderId,
    /// The piece, as the Workbench saves it.
    pub piece: NewPiece,
    /// The maker.
    pub who: String,
}

#[async_trait]
impl Command for MakeOrderedPiece {
    type Answer = Box<Finished>;

    async fn run(&self, tx: &mut Tx) -> Result<Box<Finished>, CommandError> {
        let order = Locked::of(tx, self.order).await?;
        let finish = FinishPieces { pieces: vec![self.piece.clone()], who: self.who.clone() };
        let made = match finish.run(tx).await?.pop() {
            Some(PieceOutcome::Finished(made)) => made,
            Some(PieceOutcome::Refused(rejection)) => return Err(rejection.into()),
            None => return Err(StorageError::impossible("a piece that came to nothing").into()),
        };
        let hold = hold_for(tx, order.customer, (made.item.id, &made.item.sku)).await?;
        tx.lock_shop_state(0).await?;
        let done = sqlx::query(
            "UPDATE custom_order SET state = 'made', item_id = $2, hold_group = $3 WHERE id = $1 AND state = 'open'",
        )
        .bind(self.order.raw())
        .bind(made.item.id.raw())
        .bind(hold.raw())
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 0 {
            return Err(Rejection::invalid("order", SalesReason::OrderNotOpen).into());
        }
        let detail = format!("order {} made: {}", self.order, made.item.sku);
        activity_log::note_customer(tx, &self.who, Activity::CustomOrder, order.customer, &detail).await?;
        Ok(made)
    }
}

/// Holds the piece of an order again whose hold ended, perhaps with a sale that was discarded.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct HoldOrderedPiece {
    /// Which order.
    pub order: CustomOrderId,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for HoldOrderedPiece {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let order = Locked::of(tx, self.order).await?;
        let (item, sku) = piece_of(tx, self.order).await?;
        if let Some(hold) = order.hold {
            holds::end_group(tx, hold).await?;
        }
        let hold = hold_for(tx, order.customer, (item, &sku)).await?;
        tx.lock_shop_state(0).await?;
        let done = sqlx::query("UPDATE custom_order SET hold_group = $2 WHERE id = $1 AND state = 'made'")
            .bind(self.order.raw())
            .bind(hold.raw())
            .execute(tx.db())
            .await?;
        if done.rows_affected() == 0 {
            return Err(Rejection::invalid("order", SalesReason::OrderNotMade).into());
        }
        let detail = format!("order {}: {sku} on hold again", self.order);
        activity_log::note_customer(tx, &who, Activity::CustomOrder, order.customer, &detail).await
    }
}

/// Gives up the piece that was made for an order: it is free for everybody, and another one is to be made.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ReopenCustomOrder {
    /// Which order.
    pub order: CustomOrderId,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for ReopenCustomOrder {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let who = text::short(&self.who).field("who")?;
        let order = Locked::of(tx, self.order).await?;
        let (_, sku) = piece_of(tx, self.order).await?;
        if let Some(hold) = order.hold {
            holds::end_group(tx, hold).await?;
        }
        tx.lock_shop_state(0).await?;
        let done = sqlx::query(
            "UPDATE custom_order SET state = 'open', item_id = NULL, hold_group = NULL WHERE id = $1 AND state = 'made'",
        )
        .bind(self.order.raw())
        .execute(tx.db())
        .await?;
        if done.rows_affected() == 0 {
            return Err(Rejection::invalid("order", SalesReason::OrderNotMade).into());
        }
        let detail = format!("order {}: {sku} given up", self.order);
        activity_log::note_customer(tx, &who, Activity::CustomOrder, order.customer, &detail).await
    }
}

async fn piece_of(tx: &mut Tx, order: CustomOrderId) -> Result<(ItemId, String), CommandError> {
    let row = sqlx::query(
        "SELECT o.state, i.id, i.sku FROM custom_order o LEFT JOIN item i ON i.id = o.item_id WHERE o.id = $1",
    )
    .bind(order.raw())
    .fetch_optional(tx.db())
    .await?
    .ok_or_else(|| Rejection::no_such(Thing::CustomOrder, order))?;
    let item: Option<i64> = row.try_get("id")?;
    match item {
        Some(item) if row.try_get::<String, _>("state")? == "made" => {
            Ok((ItemId::from_raw(item), row.try_get("sku")?))
        }
        _ => Err(Rejection::invalid("order", SalesReason::OrderNotMade).into()),
    }
}

/// Holds a piece until the customer collects it. What was agreed with them is no matter of a person's limits.
async fn hold_for(
    tx: &mut Tx,
    customer: CustomerId,
    (item, sku): (ItemId, &str),
) -> Result<HoldGroupId, CommandError> {
    let wanted = [(item, 1)];
    holds::set_aside(tx, &wanted).await?;
    let id = HoldGroupId::from_raw(tx.next_id()?);
    let quantity = Quantity::from_stock_units(1, Measure::Units).stored("hold.stock_units")?;
    let line =
        HeldLine { id: HoldId::from_raw(tx.next_id()?), sku: sku.to_owned(), title: String::new(), quantity };
    let hold = Hold {
        id,
        purpose: Purpose::Customer,
        for_whom: String::new(),
        customer: Some(customer),
        until: None,
        lines: vec![line],
    };
    holds::insert(tx, &hold, &wanted, Some(customer)).await?;
    Ok(id)
}
