//! Every reason that the ledger knows makes a sentence that names what it is about.

mod kinds;
mod rooms;
mod trade;

use domain::day::{DayError, Moment, ShopTime, Zone};
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::text::TextError;
use ledger::Rejection;
use ledger::rejection::{NotPriced, Reason};
use ledger::shelf::LeftReason;
use std::collections::BTreeSet;

/// A reason, and what its sentence must name.
pub(crate) type Row = (Reason, &'static [&'static str]);

pub(crate) fn row(reason: impl Into<Reason>, named: &'static [&'static str]) -> Row {
    (reason.into(), named)
}

pub(crate) fn usd(cents: i64) -> Money {
    Money::from_minor(cents, Currency::USD).expect("within the limits")
}

pub(crate) fn pieces(count: i64) -> Quantity {
    Quantity::from_stock_units(count, Measure::Units).expect("a quantity")
}

pub(crate) fn owned(text: &str) -> String {
    text.to_owned()
}

/// 2026-05-17, noon UTC: 1 PM in London.
pub(crate) fn noon() -> Moment {
    Moment::from_millis(1_779_019_200_000)
}

pub(crate) fn london() -> Zone {
    Zone::from_name("Europe/London").expect("a zone")
}

pub(crate) fn at() -> ShopTime {
    ShopTime { at: noon(), zone: london() }
}

/// What no sentence of ours may hold or lack.
pub(crate) fn judge(sentence: &str, named: &[&str], what: &str) {
    assert!(sentence.split_whitespace().count() >= 2, "{what}: no sentence: {sentence:?}");
    assert!(!sentence.ends_with(['.', ' ', ':', ';']), "{what}: its surface ends it: {sentence:?}");
    let starts_small = sentence.chars().next().is_some_and(|c| !c.is_uppercase());
    let begins_with_a_name = named.iter().any(|name| sentence.starts_with(name));
    assert!(starts_small || begins_with_a_name, "{what}: its surface begins it: {sentence:?}");
    assert!(sentence.matches(". ").count() <= 1, "{what}: more than two sentences: {sentence}");
    for bad in ["{", "}", "Some(", "\n", "  ", "UTC", "::"] {
        assert!(!sentence.contains(bad), "{what} holds {bad:?}: {sentence}");
    }
    for name in named {
        assert!(sentence.contains(name), "{what} does not name {name}: {sentence}");
    }
}

/// The variants of an enum as its source names them, as they stand in a code.
fn variants(source: &str, name: &str) -> BTreeSet<String> {
    let body = source.split(&format!("pub enum {name} {{")).nth(1).expect("the enum");
    let body = body.split("\n}").next().expect("its end");
    let names = body.lines().filter_map(|line| {
        let rest = line.strip_prefix("    ")?;
        rest.starts_with(|c: char| c.is_ascii_uppercase()).then(|| rest.trim_end_matches([',', ' ', '{']))
    });
    names.map(|name| kebab(name.split('(').next().unwrap_or(name))).collect()
}

fn kebab(name: &str) -> String {
    let mut text = String::new();
    for letter in name.chars() {
        if letter.is_ascii_uppercase() && !text.is_empty() {
            text.push('-');
        }
        text.push(letter.to_ascii_lowercase());
    }
    text
}

/// The code of a reason, without its room.
fn code(reason: &Reason) -> String {
    let code = Rejection::invalid("", reason.clone()).to_string();
    code.rsplit('/').next().unwrap_or_default().to_owned()
}

/// Each row makes a sentence, and each variant of the room has a row.
fn check(rows: &[Row], source: &str, name: &str) {
    for (reason, named) in rows {
        judge(&words::reason(reason), named, &format!("{reason:?}"));
    }
    let told: BTreeSet<String> = rows.iter().map(|(reason, _)| code(reason)).collect();
    let missing: Vec<String> = variants(source, name).difference(&told).cloned().collect();
    assert_eq!(missing, Vec::<String>::new(), "{name}: variants without a row");
    assert_eq!(told.len(), variants(source, name).len(), "{name}");
}

macro_rules! source {
    ($file:literal) => {
        include_str!(concat!("../../../ledger/src/store/rejection/", $file))
    };
}

#[test]
fn each_reason_of_the_shop_is_said() {
    check(&rooms::shop(), source!("shop.rs"), "ShopReason");
}

#[test]
fn each_reason_of_people_is_said() {
    check(&rooms::people(), source!("people.rs"), "PeopleReason");
}

#[test]
fn each_reason_of_customers_is_said() {
    check(&rooms::customers(), source!("customers.rs"), "CustomersReason");
}

#[test]
fn each_reason_of_the_books_is_said() {
    check(&rooms::books(), source!("books.rs"), "BooksReason");
}

#[test]
fn each_reason_of_the_shelf_is_said() {
    let rows = [rooms::shelf(), rooms::stock()].concat();
    check(&rows, source!("shelf.rs"), "ShelfReason");
}

#[test]
fn each_reason_of_sales_is_said() {
    let rows = [trade::sales(), trade::refunds()].concat();
    check(&rows, source!("sales.rs"), "SalesReason");
}

#[test]
fn each_reason_of_the_online_shop_is_said() {
    check(&trade::online(), source!("online.rs"), "OnlineReason");
}

#[test]
fn each_reason_of_orders_is_said() {
    check(&trade::orders(), source!("orders.rs"), "OrdersReason");
}

#[test]
fn each_kind_of_refusal_is_said() {
    let rows = kinds::refusals();
    for (rejection, named) in &rows {
        judge(&words::rejection(rejection), named, &format!("{rejection:?}"));
    }
    let kind = |rejection: &Rejection| {
        let code = rejection.to_string();
        code.split(' ').next().unwrap_or_default().to_owned()
    };
    let told: BTreeSet<String> = rows.iter().map(|(rejection, _)| kind(rejection)).collect();
    assert_eq!(told, variants(source!("mod.rs"), "Rejection"));
}

#[test]
fn each_thing_that_is_not_there_has_its_own_name() {
    let rows = kinds::things();
    let told: BTreeSet<String> = rows
        .iter()
        .map(|thing| {
            let sentence = words::rejection(&Rejection::no_such(*thing, "x7"));
            judge(&sentence, &["x7"], &format!("{thing:?}"));
            sentence
        })
        .collect();
    assert_eq!(told.len(), rows.len(), "two things of one name: {told:?}");
    assert_eq!(rows.len(), variants(source!("subject.rs"), "Thing").len());
}

#[test]
fn a_time_is_the_shops_own() {
    let ahead = Reason::Moment { error: DayError::TooFarAhead { when: noon() }, zone: london() };
    judge(&words::reason(&ahead), &["May 17, 2026, 1:00 PM"], "too far ahead");
    let early = Moment::from_millis(-1);
    let early = Reason::Moment { error: DayError::TooEarly { when: early }, zone: Zone::utc() };
    judge(&words::reason(&early), &["Dec 31, 1969, 11:59 PM"], "too early");
}

#[test]
fn what_the_domain_says_stands_as_it_is() {
    let check = |reason: Reason, expected: &str| assert_eq!(words::reason(&reason), expected);
    check(TextError::Empty.into(), &TextError::Empty.to_string());
    let never = DayError::NotADate { text: owned("never") };
    check(Reason::Moment { error: never.clone(), zone: london() }, &never.to_string());
}

#[test]
fn what_a_count_left_is_said_with_what_to_do() {
    let held = || Box::new(kinds::on_hold());
    judge(&words::left(&LeftReason::OnHold(held())), &["Moor cowl", "release"], "on hold");
    judge(&words::left(&LeftReason::NotAdded(held())), &["Moor cowl", "receipt"], "not added");
    judge(&words::left(&LeftReason::SoldSince), &["sold", "count"], "sold since");
    judge(&words::not_priced(&NotPriced::NoWeight), &["weight"], "no weight");
}
