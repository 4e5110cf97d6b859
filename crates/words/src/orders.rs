//! What is wrong with an online order, or with what a person chooses for it.

use domain::order::OrderStatus;
use ledger::rejection::OrdersReason;

pub(crate) fn words(reason: &OrdersReason) -> String {
    match reason {
        OrdersReason::MoneyChanged { title } => format!(
            "the price of {title} changed after a part of it was refunded; refund or sell the difference yourself"
        ),
        OrdersReason::SubstituteChanged { title, substitute } => format!(
            "{title} changed after {substitute} was sold instead; refund or sell the difference yourself"
        ),
        OrdersReason::NothingSold { number } => {
            format!("nothing of order {number} was sold, so there is nothing to refund")
        }
        OrdersReason::NotInOrder { goods } => {
            format!("the order has not sold any {goods}, so there is nothing of it to refund")
        }
        OrdersReason::InStock { title, sku } => format!(
            "{title} ({sku}) is in stock here, so it was not sold before; write it off first, or correct the row"
        ),
        OrdersReason::StatusKnown { number, status } => {
            format!("order {number} has a known status ({status}), so there is nothing to decide")
        }
        OrdersReason::OfAnotherChannel { number, channel } => format!(
            "order {number} was imported on {channel} before, and an order stays on its channel; correct the \
             channel, or give another purchase its own number"
        ),
        OrdersReason::NotPaid { number } => {
            format!("order {number} is not paid yet; resolve its lines once it is")
        }
        OrdersReason::Closed { number } => {
            format!("order {number} is closed; none of its lines needs attention")
        }
        OrdersReason::LineSettled { title, state } => {
            format!("{title} no longer needs attention; it is {}", line_state(state))
        }
        OrdersReason::LineDecided { title, choice, who } => {
            let by = if who.is_empty() { String::new() } else { format!(" by {who}") };
            format!("{title} was already {choice}{by}; nothing changed")
        }
        OrdersReason::NotASubstitute { title } => {
            format!("{title} is the item that was ordered; fill the line, or choose another item")
        }
        OrdersReason::OtherUnit { title, ordered } => {
            format!("{title} is not sold by the same unit as {ordered}; choose another item")
        }
        OrdersReason::OtherCurrency { own } => format!("the shop's currency is {own}"),
        OrdersReason::UnknownOrder { number } => {
            format!("order {number} was never imported, so nothing of it can be refunded")
        }
        OrdersReason::UnknownStatus => format!(
            "this is not a known status; map it in the layout to one of {}",
            OrderStatus::ALL.map(OrderStatus::code).join(", ")
        ),
        OrdersReason::PastOrder => {
            "a past order can only be canceled, returned or refunded; correct its lines yourself".to_owned()
        }
        OrdersReason::LineHolds => "this line already has stock on hold; fill it from that hold".to_owned(),
        OrdersReason::NegativeMoney => "discount, shipping and fee may not be below 0".to_owned(),
        OrdersReason::NegativePrice => "a price may not be below 0".to_owned(),
        OrdersReason::NoLines => "an order has at least one line".to_owned(),
        OrdersReason::NoCode => "a line needs its sku or gtin13".to_owned(),
    }
}

/// By its code.
fn line_state(code: &str) -> &str {
    match code {
        "held" => "on hold for the order",
        "undone" => "canceled",
        "short" => "out of stock",
        other => other,
    }
}
