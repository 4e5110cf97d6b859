//! What a refusal must be: its variant and its figures, never its sentence.

use domain::money::Money;
use domain::stock::StockReason;
use ledger::Rejection;
use std::fmt;
use testkit::Engine;

pub(crate) use domain::basket::{Amount, BasketError};
pub(crate) use domain::cash::CountError;
pub(crate) use domain::day::{DayError, Zone};
pub(crate) use domain::fee::FeeError;
pub(crate) use domain::money::MoneyError;
pub(crate) use domain::pricing::PriceError;
pub(crate) use domain::quantity::QuantityError;
pub(crate) use domain::refund::RefundError;
pub(crate) use domain::text::TextError;
pub(crate) use domain::weight::{WeightError, WeightUnit};
pub(crate) use ledger::rejection::{
    BooksReason, Edited, HeldFor, NotPriced, NotVoidable, OnlineReason, PeopleReason, Reason, Refundable,
    SalesReason, ShelfReason, ShopReason, Thing,
};

/// What a refusal must be.
pub(crate) enum Expected {
    /// All of it.
    Whole(Box<Rejection>),
    /// Something of it, with its name; the rest depends on the run.
    Like(String, Box<dyn Fn(&Rejection) -> bool + Send>),
}

impl Expected {
    pub(crate) fn check(&self, rejection: &Rejection, engine: Engine) {
        match self {
            Self::Whole(whole) => assert_eq!(rejection, &**whole, "on {engine:?}"),
            Self::Like(name, fits) => {
                assert!(fits(rejection), "on {engine:?}: {rejection:?}\nnot as expected: {name}");
            }
        }
    }
}

fn whole(rejection: Rejection) -> Expected {
    Expected::Whole(Box::new(rejection))
}

fn like(name: impl fmt::Display, fits: impl Fn(&Rejection) -> bool + Send + 'static) -> Expected {
    Expected::Like(name.to_string(), Box::new(fits))
}

/// A value that is wrong, and why.
pub(crate) fn invalid(field: &str, reason: impl Into<Reason>) -> Expected {
    whole(Rejection::invalid(field, reason))
}

/// A value that is wrong, for whatever reason.
pub(crate) fn invalid_at(field: &'static str) -> Expected {
    like(field, move |r| matches!(r, Rejection::Invalid { field: of, .. } if of == field))
}

/// An amount above the limit of one.
pub(crate) fn amount_too_large() -> Expected {
    like("an amount above the limit", |rejection| {
        let Rejection::Invalid { reason, .. } = rejection else { return false };
        matches!(
            reason,
            Reason::Money(MoneyError::OverLimit { .. })
                | Reason::Basket(BasketError::Money(MoneyError::OverLimit { .. }))
        )
    })
}

/// A line of more than one may have.
pub(crate) fn line_too_large() -> Expected {
    like("a quantity above the limit", |rejection| {
        let Rejection::Invalid { reason, .. } = rejection else { return false };
        matches!(reason, Reason::Quantity(QuantityError::OverLimit { .. }))
    })
}

/// A kind of thing that is not there.
pub(crate) fn none(thing: Thing) -> Expected {
    like(format!("{thing:?}"), move |r| matches!(r, Rejection::NoSuch { what, .. } if *what == thing))
}

/// Gone by something else than a sale.
pub(crate) fn gone(expected: StockReason) -> Expected {
    like(format!("{expected:?}"), move |r| matches!(r, Rejection::Gone { why, .. } if *why == Some(expected)))
}

/// Something that is not there, by its id.
pub(crate) fn no_such(what: Thing, id: impl fmt::Display) -> Expected {
    whole(Rejection::no_such(what, id))
}

/// No item has the code.
pub(crate) fn unknown_code(code: &str) -> Expected {
    whole(Rejection::UnknownCode { code: code.to_owned() })
}

/// The check digit that the code should have.
pub(crate) fn wrong_digit(digit: u8) -> Expected {
    let fits = move |r: &Rejection| matches!(r, Rejection::WrongDigit { expected, .. } if *expected == digit);
    like(digit, fits)
}

/// Sold before, on this channel with this receipt.
pub(crate) fn already_sold(channel: &'static str, receipt: i64) -> Expected {
    like(format!("{channel} {receipt}"), move |rejection| {
        let Rejection::AlreadySold { sold, .. } = rejection else { return false };
        (sold.channel.as_str(), sold.receipt) == (channel, Some(receipt))
    })
}

/// On hold for somebody.
pub(crate) fn on_hold(whom: HeldFor) -> Expected {
    like(format!("{whom:?}"), move |r| matches!(r, Rejection::OnHold { for_whom, .. } if *for_whom == whom))
}

/// On hold for whoever has this name.
pub(crate) fn on_hold_for(name: &str) -> Expected {
    on_hold(HeldFor::Name(name.to_owned()))
}

/// The hold is over: taken, ended or expired.
pub(crate) fn hold_over(expected: &'static str) -> Expected {
    like(expected, move |r| matches!(r, Rejection::HoldOver { state, .. } if state == expected))
}

/// So many steps were asked for, and so many are free.
pub(crate) fn not_enough(steps: i64, left: i64) -> Expected {
    like(format!("{steps} of {left}"), move |rejection| {
        let Rejection::NotEnough { asked, free, .. } = rejection else { return false };
        (asked.stock_units(), free.stock_units()) == (steps, left)
    })
}

/// So many steps were to be refunded, and so many can be.
pub(crate) fn more_goods(steps: i64, still: i64) -> Expected {
    like(format!("{steps} of {still}"), move |rejection| match rejection {
        Rejection::MoreThanSold {
            asked: Refundable::Goods(asked), left: Refundable::Goods(left), ..
        } => (asked.stock_units(), left.stock_units()) == (steps, still),
        _ => false,
    })
}

/// So much money was to be refunded, and so much can be.
pub(crate) fn more_money(given: Money, still: Money) -> Expected {
    like(format!("{given} of {still}"), move |rejection| match rejection {
        Rejection::MoreThanSold {
            asked: Refundable::Money(asked), left: Refundable::Money(left), ..
        } => (*asked, *left) == (given, still),
        _ => false,
    })
}

/// The sale cannot be voided.
pub(crate) fn not_voidable(why: NotVoidable) -> Expected {
    like(format!("{why:?}"), move |r| matches!(r, Rejection::NotVoidable { reason, .. } if *reason == why))
}

/// Somebody else has changed it.
pub(crate) fn stale(what: Edited, expected: i64, current: i64) -> Expected {
    whole(Rejection::Stale { what, expected, current })
}
