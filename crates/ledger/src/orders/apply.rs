//! One online order: new, known, or changed.

use super::live::Fill;
use super::{ExistingOrder, OnTie, OrderOutcome, body_hash, change, check_values, given_back, live, same};
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::rejection::{OrdersReason, Rejection};
use domain::order::{IncomingOrder, OrderStatus, Standing};

/// An order that is taken in.
#[derive(Clone, Copy)]
pub(super) struct Taking<'a> {
    pub(super) order: &'a IncomingOrder,
    pub(super) on_tie: OnTie,
    pub(super) who: &'a str,
}

/// What is left to do for a known order.
enum Next {
    /// The same contents, perhaps with a later time.
    Same,
    /// An older state.
    Old,
    /// A later state.
    Change,
}

/// Takes in one order. A rejection of its own values is an outcome; a rejection from deeper down is an
/// error, and the caller then takes in the orders one by one.
pub(super) async fn one(
    tx: &mut Tx,
    taking: Taking<'_>,
    before: Option<&ExistingOrder>,
) -> Result<OrderOutcome, CommandError> {
    if let Err(rejection) = check_values(tx, taking.order) {
        return Ok(OrderOutcome::Rejected(rejection));
    }
    let Some(before) = before else { return new(tx, taking.order, taking.who).await };
    if taking.order.lines.is_empty() && taking.order.refunds.is_empty() {
        let over = IncomingOrder { status: OrderStatus::OrderCancelled, ..taking.order.clone() };
        return state(tx, Taking { order: &over, ..taking }, before).await;
    }
    // Only rows with negative quantity: refunds of a known order.
    if taking.order.lines.is_empty() {
        let refunds = given_back::book(tx, before, taking.order, taking.who).await?;
        return Ok(OrderOutcome::Known { order: before.id, refunds });
    }
    state(tx, taking, before).await
}

/// A state of a known order.
async fn state(
    tx: &mut Tx,
    taking: Taking<'_>,
    before: &ExistingOrder,
) -> Result<OrderOutcome, CommandError> {
    let Taking { order, who, .. } = taking;
    let next = match next(tx, taking, before).await? {
        Ok(next) => next,
        Err(rejection) => return Ok(OrderOutcome::Rejected(rejection)),
    };
    match next {
        Next::Same | Next::Old => {
            if matches!(next, Next::Same) {
                keep_date(tx, before, order).await?;
            }
            let refunds = given_back::book(tx, before, order, who).await?;
            Ok(OrderOutcome::Known { order: before.id, refunds })
        }
        // A canceled order undoes what is left, so the refunds that came with it go first.
        Next::Change if order.status.standing() == Standing::Undone => {
            let refunds = given_back::book(tx, before, order, who).await?;
            let after = change::book(tx, before, order, who).await?;
            Ok(OrderOutcome::Changed { order: before.id, short: after.short, refunds })
        }
        Next::Change => {
            let change::After { sale, short } = change::book(tx, before, order, who).await?;
            let after = ExistingOrder { standing: order.status.standing(), sale, ..before.clone() };
            let refunds = given_back::book(tx, &after, order, who).await?;
            Ok(OrderOutcome::Changed { order: before.id, short, refunds })
        }
    }
}

/// With a later dateModified the later state wins and an earlier one is old. Of two with the same time,
/// the one that was fetched by itself wins. Without a date nobody can tell, and only a cancellation is
/// taken.
async fn next(
    tx: &mut Tx,
    taking: Taking<'_>,
    before: &ExistingOrder,
) -> Result<Result<Next, Rejection>, CommandError> {
    let order = taking.order;
    if body_hash(order)? == before.body_hash {
        return Ok(Ok(Next::Same));
    }
    let (channel, number) = (order.channel.to_string(), order.number.to_string());
    if same::is_another_purchase(tx, order, before).await? {
        return Ok(Err(Rejection::NumberUsedAgain { channel, number }));
    }
    if order.status == OrderStatus::Unknown {
        return Ok(Err(unknown_status()));
    }
    // What is known says nothing that could be mistaken for the later state.
    let said_nothing = before.has_no_known_status();
    let is_over = order.status.standing() == Standing::Undone;
    Ok(match (order.modified, before.modified) {
        (None, _) if is_over && before.standing == Standing::Undone => Ok(Next::Old),
        (None, _) if is_over || said_nothing => Ok(Next::Change),
        (None, _) => Err(Rejection::OrderDiffers { channel, number }),
        (Some(new), Some(old)) if new < old => Ok(Next::Old),
        (Some(new), Some(old)) if new == old && taking.on_tie == OnTie::Refuse && !said_nothing => {
            Err(Rejection::SameDateOtherContents { channel, number })
        }
        (Some(_), _) => Ok(Next::Change),
    })
}

/// For a known order, an unknown status changes nothing.
pub(super) fn unknown_status() -> Rejection {
    Rejection::invalid("orderStatus", OrdersReason::UnknownStatus)
}

/// Known contents that came again with a later time have that time: anything older changes nothing any
/// more.
async fn keep_date(tx: &mut Tx, before: &ExistingOrder, order: &IncomingOrder) -> Result<(), CommandError> {
    let Some(modified) = order.modified.filter(|new| before.modified.is_none_or(|old| *new > old)) else {
        return Ok(());
    };
    // Not if other contents came in between: then everything is tried again.
    sqlx::query(
        "UPDATE customer_order SET revision = revision + 1, modified_ms = \
         CASE WHEN modified_ms > $3 THEN modified_ms ELSE $3 END \
         WHERE id = $1 AND body_hash = $2 RETURNING id",
    )
    .bind(before.id.raw())
    .bind(before.body_hash.clone())
    .bind(modified.millis())
    .fetch_optional(tx.db())
    .await?
    .ok_or(crate::store::storage_error::StorageError::Collided(sqlx::Error::RowNotFound))?;
    Ok(())
}

async fn new(tx: &mut Tx, order: &IncomingOrder, who: &str) -> Result<OrderOutcome, CommandError> {
    if order.lines.is_empty() {
        return Ok(OrderOutcome::Rejected(super::nothing_of_it(order)));
    }
    if let Some(rejection) = same::is_on_another_channel(tx, order).await? {
        return Ok(OrderOutcome::Rejected(rejection));
    }
    let priced = match live::price(tx, order).await {
        Ok(priced) => priced,
        Err(CommandError::Rejected(rejection)) => return Ok(OrderOutcome::Rejected(*rejection)),
        Err(trouble) => return Err(trouble),
    };
    let (before, fills) = live::take(tx, order, &priced, who).await?;
    let refunds = given_back::book(tx, &before, order, who).await?;
    let count = |of: fn(&Fill) -> bool| fills.iter().filter(|fill| of(fill)).count();
    Ok(OrderOutcome::Taken {
        order: before.id,
        sale: before.sale,
        filled: count(|fill| *fill == Fill::Filled),
        held: count(|fill| matches!(fill, Fill::Held(_))),
        short: count(|fill| *fill == Fill::Short),
        refunds,
    })
}
