//! One live order: new, known, or changed since.

use super::{Before, OrderOutcome, body_hash, change, check_values, given_back, live};
use crate::command::Tx;
use crate::error::Failure;
use crate::refusal::Refusal;
use domain::order::{IncomingOrder, Standing};

/// What is left to do for an order that is known.
enum Next {
    /// The same body, or an older state.
    Nothing,
    /// A later state.
    Change,
}

/// Takes one order in. A refusal of its own values is an outcome; a refusal from deeper down is an
/// error, and the caller takes the orders one by one.
pub(super) async fn one(
    tx: &mut Tx,
    order: &IncomingOrder,
    before: Option<&Before>,
    who: &str,
) -> Result<OrderOutcome, Failure> {
    if let Err(refusal) = check_values(tx, order) {
        return Ok(OrderOutcome::Rejected(refusal));
    }
    let Some(before) = before else { return new(tx, order, who).await };
    // Rows of negative quantity alone: refunds of an order that is known.
    if order.lines.is_empty() {
        let refunds = given_back::book(tx, before, order, who).await?;
        return Ok(OrderOutcome::Known { order: before.id, refunds });
    }
    let next = match next(order, before)? {
        Ok(next) => next,
        Err(refusal) => return Ok(OrderOutcome::Rejected(refusal)),
    };
    match next {
        Next::Nothing => {
            let refunds = given_back::book(tx, before, order, who).await?;
            Ok(OrderOutcome::Known { order: before.id, refunds })
        }
        // What is over undoes what is left, so the refunds that came with it go first.
        Next::Change if order.status.standing() == Standing::Undone => {
            let refunds = given_back::book(tx, before, order, who).await?;
            let after = change::book(tx, before, order, who).await?;
            Ok(OrderOutcome::Changed { order: before.id, short: after.short, refunds })
        }
        Next::Change => {
            let change::After { sale, short } = change::book(tx, before, order, who).await?;
            let after = Before { standing: order.status.standing(), sale, ..before.clone() };
            let refunds = given_back::book(tx, &after, order, who).await?;
            Ok(OrderOutcome::Changed { order: before.id, short, refunds })
        }
    }
}

/// With a later dateModified the later state wins; an earlier one is old news; without one, another
/// body is refused.
fn next(order: &IncomingOrder, before: &Before) -> Result<Result<Next, Refusal>, Failure> {
    if body_hash(order)? == before.body_hash {
        return Ok(Ok(Next::Nothing));
    }
    let differs =
        Refusal::OrderDiffers { channel: order.channel.to_string(), number: order.number.to_string() };
    Ok(match (order.modified, before.modified) {
        (None, _) => Err(differs),
        (Some(new), Some(old)) if new < old => Ok(Next::Nothing),
        (Some(new), Some(old)) if new == old => Err(differs),
        (Some(_), _) => Ok(Next::Change),
    })
}

async fn new(tx: &mut Tx, order: &IncomingOrder, who: &str) -> Result<OrderOutcome, Failure> {
    if order.lines.is_empty() {
        let reason = format!("order {} is not known, so nothing of it can be refunded", order.number);
        return Ok(OrderOutcome::Rejected(Refusal::invalid("orderNumber", reason)));
    }
    let priced = match live::price(tx, order).await {
        Ok(priced) => priced,
        Err(Failure::Refused(refusal)) => return Ok(OrderOutcome::Rejected(*refusal)),
        Err(trouble) => return Err(trouble),
    };
    let (before, filled, short) = live::take(tx, order, &priced, who).await?;
    let refunds = given_back::book(tx, &before, order, who).await?;
    Ok(OrderOutcome::Taken { order: before.id, sale: before.sale, filled, short, refunds })
}
