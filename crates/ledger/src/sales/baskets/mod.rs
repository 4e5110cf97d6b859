//! Sales that are being rung up: filled line by line, held as a whole, then paid or closed.
//!
//! The first statement of every change locks the row, so that two people never overwrite each other.
//! The contents are a short JSON text.

mod approved;
mod aside;
mod change;
pub(crate) mod content;
mod customers;
mod exchange;
mod list;
mod moved;
mod pay;
mod undo;
mod view;

pub use aside::{BasketFromHold, SetBasketAside};
pub use change::{BasketChange, ChangeBasket, Changed, OpenBasket};
pub use exchange::{Returned, StartExchange};
pub use list::BasketSummary;
pub use moved::MoveBasket;
pub use pay::{BasketPaid, HoldBasket, LeaveBasket, PayBasket, StopPaying};
pub use undo::{UndoBasket, Undone, UndoneWhat};
pub use view::{BasketCustomer, BasketLineView, BasketReturns, BasketState, BasketView, Pulse};

use crate::customers::person_data;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Edited, Rejection, SalesReason, Thing};
use content::{Content, Line};
use domain::channel::Channel;
use domain::ids::{BasketId, HoldGroupId, SaleId};
use sqlx::Row;

/// The row, locked until the transaction ends.
struct Slip {
    id: BasketId,
    /// As it is after this change.
    revision: i64,
    channel: Channel,
    content: Content,
    hold: Option<HoldGroupId>,
}

/// Why it cannot be changed.
enum NotOpen {
    Paid(SaleId),
    Other(Rejection),
}

/// Locks the row, if the sale is open.
async fn take(tx: &mut Tx, id: BasketId) -> Result<Result<Slip, NotOpen>, CommandError> {
    let row = sqlx::query(
        "UPDATE basket SET revision = revision + 1, changed_ms = $2 WHERE id = $1 AND state = 'open' \
         RETURNING revision, channel, content, hold_group",
    )
    .bind(id.raw())
    .bind(tx.now().millis())
    .fetch_optional(tx.db())
    .await?;
    let Some(row) = row else { return not_open(tx, id).await.map(Err) };
    Ok(Ok(Slip {
        id,
        revision: row.try_get("revision")?,
        channel: Channel::parse(&row.try_get::<String, _>("channel")?).stored("basket.channel")?,
        content: Content::read(&row.try_get::<String, _>("content")?)?,
        hold: row.try_get::<Option<i64>, _>("hold_group")?.map(HoldGroupId::from_raw),
    }))
}

async fn not_open(tx: &mut Tx, id: BasketId) -> Result<NotOpen, CommandError> {
    let row = sqlx::query("SELECT sale_id FROM basket WHERE id = $1")
        .bind(id.raw())
        .fetch_optional(tx.db())
        .await?;
    let Some(row) = row else { return Ok(NotOpen::Other(Rejection::no_such(Thing::CurrentSale, id))) };
    Ok(match row.try_get::<Option<i64>, _>("sale_id")? {
        Some(sale) => NotOpen::Paid(SaleId::from_raw(sale)),
        None => NotOpen::Other(Rejection::invalid("slip", SalesReason::Discarded)),
    })
}

/// Locks the row for a change; `known` is the revision on which the change is based.
async fn take_open(tx: &mut Tx, id: BasketId, known: Option<i64>) -> Result<Slip, CommandError> {
    let slip = match take(tx, id).await? {
        Ok(slip) => slip,
        Err(NotOpen::Paid(_)) => {
            return Err(Rejection::invalid("slip", SalesReason::Completed).into());
        }
        Err(NotOpen::Other(rejection)) => return Err(rejection.into()),
    };
    match known {
        Some(expected) if expected != slip.revision - 1 => {
            let current = slip.revision - 1;
            Err(Rejection::Stale { what: Edited::CurrentSale, expected, current }.into())
        }
        _ => Ok(slip),
    }
}

impl Slip {
    /// Rejects if the lines may no longer change.
    fn refuse_if_paying(&self) -> Result<(), Rejection> {
        if self.content.paying {
            return Err(Rejection::invalid("slip", SalesReason::BeingPaid));
        }
        Ok(())
    }

    /// Locks the customer's row for a payment. A customer who was erased since is nobody in particular, and the
    /// price stays.
    async fn lock_customer(&mut self, tx: &mut Tx) -> Result<(), CommandError> {
        if let Some(customer) = self.content.customer
            && !person_data::lock(tx, customer).await?
        {
            self.content.customer = None;
        }
        Ok(())
    }

    async fn write(&self, tx: &mut Tx) -> Result<(), CommandError> {
        sqlx::query("UPDATE basket SET content = $2, hold_group = $3 WHERE id = $1")
            .bind(self.id.raw())
            .bind(approved::kept(tx, &self.content)?)
            .bind(self.hold.map(HoldGroupId::raw))
            .execute(tx.db())
            .await?;
        Ok(())
    }

    /// Closes the sale unpaid.
    async fn leave(&self, tx: &mut Tx) -> Result<(), CommandError> {
        for holder in self.content.lines.iter().filter_map(Line::holder) {
            person_data::forget_name(tx, holder).await?;
        }
        undo::forget_steps(tx, self.id).await?;
        self.write(tx).await?;
        sqlx::query("UPDATE basket SET state = 'left' WHERE id = $1")
            .bind(self.id.raw())
            .execute(tx.db())
            .await?;
        Ok(())
    }
}

async fn insert(
    tx: &mut Tx,
    channel: &Channel,
    content: &Content,
    who: &str,
) -> Result<BasketId, CommandError> {
    let id = BasketId::from_raw(tx.next_id()?);
    sqlx::query(
        "INSERT INTO basket (id, channel, revision, state, content, who, made_ms, changed_ms) \
         VALUES ($1, $2, 1, 'open', $3, $4, $5, $5)",
    )
    .bind(id.raw())
    .bind(channel.as_str().to_owned())
    .bind(approved::kept(tx, content)?)
    .bind(who.to_owned())
    .bind(tx.now().millis())
    .execute(tx.db())
    .await?;
    Ok(id)
}
