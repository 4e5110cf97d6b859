//! What a refusal is about.

use domain::stock::StockReason;
use ledger::rejection::{Edited, HeldFor, NotVoidable, RefundOfWhat, Refundable, Thing};

/// What became of an item that was not sold.
pub fn gone(why: Option<StockReason>) -> &'static str {
    match why {
        Some(StockReason::Damage) => "it was written off as damaged",
        Some(StockReason::Gift) => "it was given away",
        Some(StockReason::OwnUse) => "it was taken for your own use",
        Some(StockReason::Mistake) => "it was entered by mistake and removed",
        Some(StockReason::Count) => "the last stock count did not find it",
        Some(StockReason::Sold) => "it was sold",
        Some(StockReason::Made | StockReason::PutBack | StockReason::Voided) | None => {
            "look at its stock history"
        }
    }
}

/// Whose a hold is, to stand behind `for`.
pub fn held_for(whom: &HeldFor) -> &str {
    match whom {
        HeldFor::Name(name) => name,
        HeldFor::Customer => "a customer",
        HeldFor::Sale => "a sale in progress",
        HeldFor::Market => "the market",
        HeldFor::Order => "an unpaid order",
    }
}

/// Goods by their quantity, money with its symbol.
pub fn refundable(amount: &Refundable) -> String {
    match amount {
        Refundable::Goods(quantity) => quantity.to_string(),
        Refundable::Money(money) => money.shown(),
    }
}

pub(crate) fn refund_of(what: &RefundOfWhat) -> &str {
    match what {
        RefundOfWhat::Line(title) => title,
        RefundOfWhat::Shipping => "shipping",
        RefundOfWhat::Order => "the order",
    }
}

/// What something is called in a sentence.
pub fn thing(thing: Thing) -> &'static str {
    match thing {
        Thing::Item => "item",
        Thing::Style => "style",
        Thing::Hold => "hold",
        Thing::StockCount => "stock count",
        Thing::CurrentSale => "current sale",
        Thing::Sale => "sale",
        Thing::Receipt => "receipt",
        Thing::SaleLine => "line of this sale",
        Thing::Refund => "refund",
        Thing::RefundLine => "line of a refund",
        Thing::OpenBalance => "open balance",
        Thing::Certificate => "gift certificate",
        Thing::Deposit => "deposit",
        Thing::CustomOrder => "custom order",
        Thing::DrawerTurn => "cash drawer session",
        Thing::Order => "order",
        Thing::LiveOrder => "order that can still change,",
        Thing::OrderLine => "line of this order",
        Thing::DeferredOrder => "order waiting to be imported,",
        Thing::Connection => "connection",
        Thing::LiveConnection => "connection to an online shop named",
        Thing::Difference => "difference",
        Thing::Layout => "layout",
        Thing::Run => "run",
        Thing::Customer => "customer",
        Thing::Person => "person",
        Thing::Session => "session",
        Thing::Device => "device",
        Thing::Token => "token",
    }
}

/// By its code; a hold that ran out is the only one that did so by itself.
pub(crate) fn hold_state(code: &str) -> &str {
    match code {
        "taken" => "its items were sold",
        "ended" => "it was released",
        "expired" => "its time ran out",
        other => other,
    }
}

pub(crate) fn edited(what: &Edited) -> String {
    match what {
        Edited::CurrentSale => "the current sale".to_owned(),
        Edited::Customer => "the customer".to_owned(),
        Edited::Item { code } => format!("item {code}"),
        Edited::Style { name } => format!("the style {name}"),
        Edited::Layout { name } => format!("the layout {name}"),
    }
}

pub(crate) fn not_voidable(reason: NotVoidable) -> &'static str {
    match reason {
        NotVoidable::CertificateSpent => "a gift certificate that it sold was spent",
        NotVoidable::DepositSpent => "a deposit that was paid in it is no longer there in full",
        NotVoidable::Past => "it comes from another system",
        NotVoidable::OfOrder => "it is an online order; cancel the order in the online shop",
        NotVoidable::NotToday => "it was not made today; refund it instead",
        NotVoidable::Settled => "it was already voided, or part of it was refunded or paid",
    }
}
