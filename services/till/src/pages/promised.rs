//! What rooms say of custom orders and of deposits.

use crate::app::App;
use crate::problem::Problem;
use domain::account::DepositFor;
use domain::custom_order::{CustomOrderState, DUE_SOON_DAYS};
use domain::day::Day;
use domain::ids::HoldGroupId;
use ledger::sales::CustomOrderView;

pub(crate) fn state_words(state: CustomOrderState) -> &'static str {
    match state {
        CustomOrderState::Open => "To be made",
        CustomOrderState::Made => "Ready to collect",
        CustomOrderState::Collected => "Collected",
        CustomOrderState::Canceled => "Canceled",
    }
}

/// Whether an open order is late, or will soon be.
pub(crate) fn caution(order: &CustomOrderView, today: Day) -> &'static str {
    if !order.state.is_open() {
        ""
    } else if order.due < today {
        "overdue"
    } else if order.due <= today.plus_days(DUE_SOON_DAYS) {
        "due soon"
    } else {
        ""
    }
}

/// Where to go once a hold has ended: to a deposit of which something is left, or on.
pub(crate) async fn after_hold(app: &App, hold: HoldGroupId, on: String) -> Result<String, Problem> {
    let deposits = app.ledger.deposits_for(DepositFor::Hold(hold)).await?;
    let left = deposits.into_iter().find(|deposit| !deposit.balance.is_zero());
    Ok(left.map_or(on, |deposit| format!("/counter/deposits/{}", deposit.id)))
}
