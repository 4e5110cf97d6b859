//! Custom orders that are due, and deposits whose use has ended.

use super::Task;
use crate::app::App;
use crate::pages::promised::{caution, state_words};
use crate::pages::shown::{counted, money};
use crate::problem::Problem;
use domain::custom_order::DUE_SOON_DAYS;
use ledger::Shop;

/// What is listed one by one.
const LISTED: usize = 6;

/// Custom orders that are overdue or due within the week.
pub(super) async fn orders(app: &App, shop: &Shop) -> Result<Option<Task>, Problem> {
    let today = shop.zone.day_of(app.ledger.now());
    let due = app.ledger.custom_orders_due(Some(today.plus_days(DUE_SOON_DAYS)), LISTED + 1).await?;
    if due.is_empty() {
        return Ok(None);
    }
    let words = match due.len() {
        more if more > LISTED => format!("More than {LISTED} custom orders are overdue or due within a week"),
        some => {
            let orders = counted(some, "custom order is", "custom orders are");
            format!("{orders} overdue or due within a week")
        }
    };
    let told = due.iter().take(LISTED).map(|order| {
        let (state, due) = (state_words(order.state).to_lowercase(), order.due.shown());
        format!("{}: {}, {state}, {} ({due})", order.name, order.about, caution(order, today))
    });
    Ok(Some(Task { more: told.collect(), ..Task::new(words, "/counter/custom-orders", "Open orders") }))
}

/// Deposits of which something is left although their hold or custom order has ended.
pub(super) async fn deposits(app: &App) -> Result<Option<Task>, Problem> {
    let left = app.ledger.deposits_left_over(LISTED + 1).await?;
    if left.is_empty() {
        return Ok(None);
    }
    let words = match left.len() {
        more if more > LISTED => format!("More than {LISTED} deposits are left of what has ended"),
        some => {
            let deposits = counted(some, "deposit is", "deposits are");
            format!("{deposits} left of what has ended; refund what is left")
        }
    };
    let told = left.iter().take(LISTED).map(|deposit| {
        let name = if deposit.customer.is_empty() { "Erased customer" } else { &deposit.customer };
        format!("{name}: {}, {}", money(deposit.balance), deposit.about)
    });
    Ok(Some(Task { more: told.collect(), ..Task::new(words, "/counter/deposits", "Review deposits") }))
}
