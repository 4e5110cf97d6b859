//! Tries again the orders that could not be taken in, for example because their item was not there yet.

use super::cycle::{ConnectionContext, quiet_of_fetch};
use super::hooks::one_or_list;
use super::intake::{Read, is_tie};
use super::orders::fetch;
use super::place::{has_left_window, was_walked_since};
use domain::day::Moment;
use domain::delivery::says_gone;
use domain::order::IncomingOrder;
use feeds::connection::{Address, Place, Pull};
use feeds::{Layout, PageReading, orders_again};
use ledger::online::{
    ClaimDeferredOrders, DeferredBecause, DeferredOrder, PullOf, RereadOrders, SettleDeferredOrder,
};
use ledger::{CommandError, Rejection};

/// How many of them are tried in one cycle; the rest follow in the next.
const TRIED_A_ROUND: usize = 50;

/// What to do about an order that has two states with the same time and is gone from the online shop.
pub const LOST_THERE: &str = "the online shop no longer has this order, so it cannot say which of its two states is \
    right; if the shop was restored from a backup, check what was sold, then ignore the order here";

/// Tries those that are due.
pub(super) async fn try_again(hand: &ConnectionContext<'_>) -> Result<(), CommandError> {
    let holder = hand.ledger.new_holder()?;
    let claim = ClaimDeferredOrders { connection: hand.connection.id, holder, limit: TRIED_A_ROUND };
    for kept in hand.ledger.execute(None, &claim).await?.answer {
        let became = match again(hand, &kept).await? {
            None => DeferredBecause::Taken,
            Some(words) => DeferredBecause::Later { until: hand.from().again(kept.tries), words },
        };
        hand.ledger.execute(None, &SettleDeferredOrder { id: kept.id, holder, became }).await?;
    }
    Ok(())
}

/// Why it still cannot be taken in; none if it was.
async fn again(hand: &ConnectionContext<'_>, kept: &DeferredOrder) -> Result<Option<String>, CommandError> {
    let mut orders = Vec::new();
    for read in read(hand, &kept.raw) {
        match read {
            Ok(parsed) => orders.push(parsed.value),
            Err(reject) => return Ok(Some(reject.cause().to_string())),
        }
    }
    let Some(changed) = orders.iter().map(|order| order.modified.unwrap_or(order.ordered)).max() else {
        return Ok(Some(kept.words.clone()));
    };
    let rejection = match hand.from().book(orders).await {
        Ok(refusals) => refusals.into_iter().flatten().next(),
        // With a single order, the rejection of its transaction is its own.
        Err(CommandError::Rejected(rejection)) => Some(*rejection),
        Err(trouble) => return Err(trouble),
    };
    match rejection {
        Some(rejection) if is_tie(&rejection) => decide(hand, kept, changed, &rejection).await,
        rejection => Ok(rejection.as_ref().map(words::rejection)),
    }
}

/// Of two states with the same time, the right one is what the shop has now. The order is fetched by itself if
/// the connection says how. Otherwise a later reading of the list has met it as it is, and taken that.
async fn decide(
    hand: &ConnectionContext<'_>,
    kept: &DeferredOrder,
    changed: Moment,
    rejection: &Rejection,
) -> Result<Option<String>, CommandError> {
    let Some(pull) = &hand.reach.file.orders else { return Ok(Some(words::rejection(rejection))) };
    if let Some(one) = &pull.one {
        return fetch_one(hand, pull, one, kept).await;
    }
    let place = hand.ledger.pull_place(hand.connection.id, PullOf::Orders).await?.unwrap_or_default();
    let now = hand.ledger.now();
    if was_walked_since(&place, pull, (kept.kept, now), changed) {
        return Ok(None);
    }
    if has_left_window(&place, changed) {
        // No reading would meet it before the order changes again.
        let (connection, who) = (hand.connection.id, hand.connection.name.clone());
        let reread = RereadOrders { connection, since: changed.min(now), who };
        hand.ledger.execute(None, &reread).await?;
    }
    Ok(Some(words::rejection(rejection)))
}

async fn fetch_one(
    hand: &ConnectionContext<'_>,
    pull: &Pull,
    one: &Address,
    kept: &DeferredOrder,
) -> Result<Option<String>, CommandError> {
    let url = match one.fill(&hand.reach.file.base, &[(Place::OrderNumber, &kept.number)]) {
        Ok(url) => url,
        Err(error) => return Ok(Some(error.to_string())),
    };
    hand.reach.rate.owe();
    let page = match fetch(hand, "order", url, None).await {
        Ok(page) => page,
        Err(error) => {
            quiet_of_fetch(hand, error.reply(), error.to_string()).await?;
            // The shop may answer so while it restarts, so it is asked again anyway.
            let is_gone = says_gone(error.reply());
            return Ok(Some(if is_gone { format!("{error}; {LOST_THERE}") } else { error.to_string() }));
        }
    };
    let body = page.map(|page| page.body).unwrap_or_default();
    let reading = PageReading { layout: &pull.layout, currency: hand.shop.currency, zone: &hand.shop.zone };
    let read = match one_or_list(&body, reading) {
        Ok(read) => read,
        Err(error) => return Ok(Some(format!("order {} cannot be read: {error}", kept.number))),
    };
    let orders: Vec<IncomingOrder> = read
        .into_iter()
        .filter_map(|read| read.ok().map(|parsed| parsed.value))
        .filter(|order| order.number.to_string() == kept.number)
        .collect();
    if orders.is_empty() {
        return Ok(Some(format!("what was asked for as order {} is another", kept.number)));
    }
    let refusals = hand.from().book_fetched(orders).await?;
    Ok(refusals.into_iter().flatten().next().as_ref().map(words::rejection))
}

/// With the layout that read it, either the list's or the webhooks': the one that can read it counts.
fn read(hand: &ConnectionContext<'_>, raw: &str) -> Vec<Read> {
    let file = &hand.reach.file;
    let layouts = file.orders.iter().map(|o| &o.layout).chain(file.hooks.iter().map(|h| &h.layout));
    let by = |layout: &Layout| {
        let page = PageReading { layout, currency: hand.shop.currency, zone: &hand.shop.zone };
        orders_again(raw, page).unwrap_or_default()
    };
    let mut last = Vec::new();
    for layout in layouts {
        last = by(layout);
        if !last.is_empty() && last.iter().all(Result::is_ok) {
            break;
        }
    }
    last
}
