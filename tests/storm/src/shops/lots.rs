//! A shop that takes many wares in one lot and answers for each by itself, counts its lists by pages, lets only so
//! many requests in, weighs in grams and reckons in cents.

use super::book::{Book, Bought};
use super::desk::{Answer, Desk, json_of, no, number, read, told};
use super::stock::{Listing, Says};
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::{get, post, put};
use fastrand::Rng;
use pretend::{OrderState, Shuffler};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::Deserialize;
use serde_json::{Value, json};
use std::hash::{DefaultHasher, Hash, Hasher};

/// Wares on a page of their list, and the most of one lot.
const PAGE: usize = 5;
const MAX_LOT: usize = 20;
/// What nobody there pays for, in cents.
const TOO_DEAR: i64 = 8_000;
/// What somebody does.
pub(crate) const NOT_DEAR: i64 = 7_000;
/// How the shop says so.
pub(crate) const DEAR: &str = "dearer than anybody here pays";

pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/wares", get(wares))
        .route("/wares/lot", post(lot))
        .route("/wares/{own_code}", put(one))
        .route("/book", get(book))
        .route("/book/{row}", get(row))
}

/// Who asks, and for what.
#[derive(Deserialize)]
struct Asked {
    pass: Option<String>,
    page: Option<usize>,
    from: Option<i64>,
}

fn enter(desk: &Desk, asked: &Asked) -> Result<(), Box<Response>> {
    desk.lets_in(asked.pass.as_deref())?;
    desk.counts()
}

/// A ware as it comes in.
#[derive(Deserialize)]
struct Ware {
    own_code: String,
    called: String,
    #[serde(default)]
    words: String,
    cents: i64,
    for_sale: String,
    left: i64,
}

#[derive(Deserialize)]
struct Lot {
    wares: Vec<Ware>,
}

/// What becomes of one ware by chance, in bad weather.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Luck {
    Taken,
    /// Nothing is said of it.
    Unsaid,
    /// It is taken, and said not to be.
    TakenAndRefused(u16),
    Refused(u16),
}

fn luck(book: &Book, seed: u64, ware: &Ware) -> Luck {
    let mut hasher = DefaultHasher::new();
    (seed, &ware.own_code, book.counts.requests).hash(&mut hasher);
    let mut dice = Rng::with_seed(hasher.finish());
    if dice.u8(0..100) >= book.faults.percent / 3 {
        return Luck::Taken;
    }
    match dice.u8(0..8) {
        0 => Luck::Unsaid,
        1 => Luck::TakenAndRefused(503),
        2 => Luck::TakenAndRefused(422),
        3 => Luck::Refused(409),
        4 => Luck::Refused(429),
        5 => Luck::Refused(500),
        _ => Luck::Refused(422),
    }
}

/// Takes a ware, or not; what is said of it.
fn take(book: &mut Book, seed: u64, ware: &Ware) -> Option<(u16, &'static str)> {
    if ware.cents > TOO_DEAR {
        return Some((422, DEAR));
    }
    let luck = luck(book, seed, ware);
    if let Luck::Refused(status) = luck {
        return Some((status, "it fell off the cart"));
    }
    let left = if ware.for_sale == "yes" { Decimal::from(ware.left.max(0)) } else { Decimal::ZERO };
    let price = Decimal::new(ware.cents, 2);
    let says = Says { name: ware.called.clone(), about: ware.words.clone(), price, left };
    book.counts.taken += 1;
    let known = book.stock.of(&ware.own_code).map(|listing| listing.id);
    let is_new = match known {
        Some(id) => !book.stock.tell(id, says),
        None => book.stock.make(&ware.own_code, says) > 0,
    };
    match luck {
        Luck::Unsaid => None,
        Luck::TakenAndRefused(status) => Some((status, "the scribe dozed off")),
        _ => Some((if is_new { 201 } else { 200 }, "")),
    }
}

fn each(desk: &Desk, wares: &[Ware]) -> Response {
    let mut book = desk.book();
    let (mut all, mut are_good) = (Vec::with_capacity(wares.len()), true);
    for ware in wares {
        let Some((outcome, because)) = take(&mut book, desk.seed(), ware) else { continue };
        are_good &= outcome < 300;
        all.push(json!({ "own_code": ware.own_code, "outcome": outcome, "because": because }));
    }
    let status = if are_good { StatusCode::OK } else { StatusCode::MULTI_STATUS };
    json_of(status, &json!({ "each": all }))
}

async fn lot(State(desk): State<Desk>, Query(asked): Query<Asked>, body: Bytes) -> Response {
    let take = || -> Answer {
        enter(&desk, &asked)?;
        let Lot { wares } = read(&body)?;
        if wares.len() > MAX_LOT {
            return Err(Box::new(no(StatusCode::PAYLOAD_TOO_LARGE, "that is more than a lot")));
        }
        Ok(each(&desk, &wares))
    };
    told(take())
}

async fn one(
    State(desk): State<Desk>,
    Path(own_code): Path<String>,
    Query(asked): Query<Asked>,
    body: Bytes,
) -> Response {
    let take = || -> Answer {
        enter(&desk, &asked)?;
        let ware: Ware = read(&body)?;
        if ware.own_code != own_code {
            return Err(Box::new(no(StatusCode::UNPROCESSABLE_ENTITY, "the address has another code")));
        }
        Ok(each(&desk, &[ware]))
    };
    told(take())
}

fn cents(amount: Decimal) -> i64 {
    (amount * Decimal::ONE_HUNDRED).to_i64().unwrap_or_default()
}

fn shown(listing: &Listing) -> Value {
    let have = listing.have();
    json!({
        "own_code": listing.sku,
        "called": listing.says.name,
        "cents": cents(listing.says.price),
        "for_sale": if have.is_zero() { "no" } else { "yes" },
        "left": number(have),
    })
}

fn page<T>(mut all: Vec<T>, asked: &Asked, size: usize) -> Vec<T> {
    let from = asked.page.unwrap_or(1).saturating_sub(1).saturating_mul(size);
    all.drain(..from.min(all.len()));
    all.truncate(size);
    all
}

async fn wares(State(desk): State<Desk>, Query(asked): Query<Asked>) -> Response {
    told(enter(&desk, &asked).map(|()| {
        let book = desk.book();
        let mut all: Vec<&Listing> = book.stock.all().collect();
        all.sort_by(|a, b| a.sku.cmp(&b.sku));
        let wares: Vec<Value> = page(all, &asked, PAGE).into_iter().map(shown).collect();
        json_of(StatusCode::OK, &json!({ "wares": wares }))
    }))
}

fn written(bought: &Bought) -> Value {
    let order = &bought.order;
    let part = |line: &super::OrderLine| {
        json!({
            "own_code": line.code,
            "amount": number(line.count),
            "cents": cents(line.each),
            "undone_by": line.back,
        })
    };
    let money = match order.state {
        OrderState::OrderPaymentDue => "awaited",
        OrderState::OrderProcessing => "here",
        OrderState::OrderCancelled => "void",
    };
    json!({
        "row": order.number,
        "begun": bought.placed.div_euclid(1000),
        "moved": bought.changed.div_euclid(1000),
        "money": money,
        "carrying": cents(bought.postage),
        "buyer": bought.buyer,
        "parts": order.lines.iter().map(part).collect::<Vec<_>>(),
    })
}

async fn book(State(desk): State<Desk>, Query(asked): Query<Asked>) -> Response {
    told(enter(&desk, &asked).map(|()| {
        let mut book = desk.book();
        book.counts.asked_for_orders += 1;
        let mut shuffler = Shuffler::new(&book.faults, book.counts.asked_for_orders);
        let from = asked.from.unwrap_or_default();
        let mut all: Vec<&Bought> =
            book.orders.iter().filter(|bought| bought.changed.div_euclid(1000) >= from).collect();
        all.sort_by_key(|bought| (bought.changed, bought.order.change));
        let rows = page(all, &asked, book.faults.page.max(1)).into_iter().map(written).collect();
        let rows = shuffler.told(rows);
        if let Some(at) = shuffler.touched(&book.faults, book.orders.len()) {
            book.note_change(at);
        }
        json_of(StatusCode::OK, &json!({ "rows": rows }))
    }))
}

async fn row(State(desk): State<Desk>, Path(row): Path<String>, Query(asked): Query<Asked>) -> Response {
    told(enter(&desk, &asked).and_then(|()| {
        let book = desk.book();
        let found = book.order(&row).map(written);
        let found = found.ok_or_else(|| Box::new(no(StatusCode::NOT_FOUND, "no such row")))?;
        Ok(json_of(StatusCode::OK, &found))
    }))
}
