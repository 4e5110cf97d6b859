//! The Books pages: a year of months by channel, a month of days, a day, a sale.

mod chart;
mod csv;
mod day;
mod month;
mod other_income;
pub(crate) mod sale;
pub(crate) mod table;
mod year;

use crate::pages::frame::Room;
use crate::problem::{Kind, Problem};
use crate::request::caller::Access;
use crate::request::query::Named;
use crate::request::route::Route;
use domain::day::{Day, Month};
use domain::money::MoneyError;

pub(crate) fn routes() -> Vec<Route> {
    let access = Access::With(Room::Books.permission());
    vec![
        Route::get("/books", access, year::page),
        Route::get("/books/csv", access, csv::download),
        Route::get("/books/month/{month}", access, month::page),
        Route::get("/books/day/{day}", access, day::page),
        Route::get("/books/sale/{id}", access, sale::page),
    ]
}

impl Named for Month {
    fn named(text: &str) -> Result<Self, Problem> {
        Self::parse(text).map_err(|error| {
            Problem::invalid_parameter("month", format!("{error}; enter a month such as 2026-05"))
        })
    }
}

impl Named for Day {
    fn named(text: &str) -> Result<Self, Problem> {
        Self::parse(text).map_err(|error| Problem::invalid_parameter("day", error))
    }
}

/// A sum beyond what a shop can book is our own error: the ledger's limits prevent it.
pub(crate) trait Summed<T> {
    fn summed(self) -> Result<T, Problem>;
}

impl<T> Summed<T> for Result<T, MoneyError> {
    fn summed(self) -> Result<T, Problem> {
        self.map_err(|error| {
            Problem::new(Kind::StorageError, "the totals are too large to show").because(&error)
        })
    }
}
