//! What is wrong with a value.

use crate::{customers, online, orders, people, sales, shelf, shop};
use domain::day::{DayError, Zone};
use ledger::rejection::{BooksReason, Reason};

/// What is wrong with a value and what to do, without the name of its field.
pub fn reason(reason: &Reason) -> String {
    match reason {
        Reason::Shop(reason) => shop::words(reason),
        Reason::People(reason) => people::words(reason),
        Reason::Customers(reason) => customers::words(reason),
        Reason::Books(reason) => books(reason),
        Reason::Shelf(reason) => shelf::words(reason),
        Reason::Sales(reason) => sales::words(reason),
        Reason::Online(reason) => online::words(reason),
        Reason::Orders(reason) => orders::words(reason),
        Reason::Moment { error, zone } => moment(error, zone),
        // The domain says what is wrong with a value by itself: nothing of it depends on the shop.
        Reason::Text(error) => error.to_string(),
        Reason::Money(error) => error.to_string(),
        Reason::Quantity(error) => error.to_string(),
        Reason::Weight(error) => error.to_string(),
        Reason::Price(error) => error.to_string(),
        Reason::Discount(error) => error.to_string(),
        Reason::Fee(error) => error.to_string(),
        Reason::Channel(error) => error.to_string(),
        Reason::Code(error) => error.to_string(),
        Reason::Image(error) => error.to_string(),
        Reason::Day(error) => error.to_string(),
        Reason::Basket(error) => error.to_string(),
        Reason::Refund(error) => error.to_string(),
        Reason::Customer(error) => error.to_string(),
        Reason::Count(error) => error.to_string(),
        Reason::Limit(error) => error.to_string(),
        Reason::Color(error) => error.to_string(),
    }
}

fn moment(error: &DayError, zone: &Zone) -> String {
    match error {
        DayError::TooFarAhead { when } => format!(
            "{} is more than a day ahead of now; check the year, and the date in the layout",
            zone.shown(*when)
        ),
        DayError::TooEarly { when } => {
            format!("{} is before 1970; check the year, and the date in the layout", zone.shown(*when))
        }
        DayError::UnknownZone { .. }
        | DayError::NotADate { .. }
        | DayError::Offset { .. }
        | DayError::InGap { .. } => error.to_string(),
    }
}

fn books(reason: &BooksReason) -> String {
    match reason {
        BooksReason::DayFull { channel, day } => format!(
            "{channel} would come to more on {} than one day can hold; look for a wrong amount on that day, and \
             void or refund it",
            day.shown()
        ),
        BooksReason::MonthsReversed { from, to } => {
            format!("{} is before {}; give the earlier month first", to.shown(), from.shown())
        }
    }
}
