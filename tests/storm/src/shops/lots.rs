//! A shop that takes many wares in one request and answers for each, numbers its pages, limits requests, and
//! uses grams and cents.

use super::book::{Book, Bought};
use super::desk::{Answer, Desk, basic, header, json_of, no, number, read, told};
use super::stock::{Listing, Says};
use crate::broken::Broken;
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::header::AUTHORIZATION;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use axum::routing::{get, post, put};
use fastrand::Rng;
use pretend::{OrderState, Shuffler};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::Deserialize;
use serde_json::{Value, json};
use std::hash::{DefaultHasher, Hash, Hasher};

/// Wares per page of its list, and the most in one request.
const PAGE: usize = 5;
const MAX_LOT: usize = 20;
/// How long a token is valid.
const PASS_LASTS_MS: i64 = 15 * 60 * 1000;
/// A price that the shop refuses as too high, in cents.
const TOO_DEAR: i64 = 8_000;
pub(crate) const NOT_DEAR: i64 = 7_000;
pub(crate) const DEAR: &str = "dearer than anybody here pays";

pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/pass", post(pass))
        .route("/wares", get(wares))
        .route("/wares/lot", post(lot))
        .route("/wares/{own_code}", put(one))
        .route("/book", get(book))
        .route("/book/{row}", get(row))
}

#[derive(Deserialize)]
struct Asked {
    page: Option<usize>,
    from: Option<i64>,
}

fn enter(desk: &Desk, headers: &HeaderMap) -> Result<(), Box<Response>> {
    let bearer = header(headers, AUTHORIZATION.as_str()).and_then(|text| text.strip_prefix("Bearer "));
    desk.lets_in_by_pass(bearer)?;
    desk.counts()
}

/// Issues a token for the secret (RFC 6749, 4.4).
async fn pass(State(desk): State<Desk>, headers: HeaderMap) -> Response {
    told(desk.lets_in(basic(&headers).as_deref()).map(|()| {
        let pass = json!({ "access_token": desk.pass(PASS_LASTS_MS), "token_type": "Bearer", "expires_in": PASS_LASTS_MS / 1000 });
        json_of(StatusCode::OK, &pass)
    }))
}

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

/// What happens to a ware by chance, in bad weather.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Luck {
    Taken,
    Unsaid,
    /// The answer says that it was accepted, but it was not.
    Forgotten,
    /// It is accepted, but the answer says that it was not.
    TakenAndRefused(u16),
    Refused(u16),
}

fn luck(book: &Book, desk: &Desk, ware: &Ware) -> Luck {
    let mut hasher = DefaultHasher::new();
    (desk.seed(), &ware.own_code, book.counts.requests).hash(&mut hasher);
    let mut dice = Rng::with_seed(hasher.finish());
    if dice.u8(0..100) >= book.faults.percent / 3 {
        return Luck::Taken;
    }
    if desk.broken() == Broken::SaysYesAndDoesNothing {
        return Luck::Forgotten;
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

/// Accepts a ware or not; returns the answer for it.
fn take(book: &mut Book, desk: &Desk, ware: &Ware) -> Option<(u16, &'static str)> {
    if ware.cents > TOO_DEAR {
        return Some((422, DEAR));
    }
    let luck = luck(book, desk, ware);
    match luck {
        Luck::Refused(status) => return Some((status, "it fell off the cart")),
        Luck::Forgotten => return Some((200, "")),
        Luck::Taken | Luck::Unsaid | Luck::TakenAndRefused(_) => {}
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
        let Some((outcome, because)) = take(&mut book, desk, ware) else { continue };
        are_good &= outcome < 300;
        all.push(json!({ "own_code": ware.own_code, "outcome": outcome, "because": because }));
    }
    let status = if are_good { StatusCode::OK } else { StatusCode::MULTI_STATUS };
    json_of(status, &json!({ "each": all }))
}

async fn lot(State(desk): State<Desk>, headers: HeaderMap, body: Bytes) -> Response {
    let take = || -> Answer {
        enter(&desk, &headers)?;
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
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let take = || -> Answer {
        enter(&desk, &headers)?;
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

/// A page; after the last one it is empty or does not exist.
fn page<T>(mut all: Vec<T>, asked: &Asked, size: usize, desk: &Desk) -> Result<Vec<T>, Box<Response>> {
    let from = asked.page.unwrap_or(1).saturating_sub(1).saturating_mul(size);
    if from > 0 && from >= all.len() && desk.habits().is_strict {
        return Err(Box::new(no(StatusCode::NOT_FOUND, "no such page")));
    }
    all.drain(..from.min(all.len()));
    all.truncate(size);
    Ok(all)
}

async fn wares(State(desk): State<Desk>, Query(asked): Query<Asked>, headers: HeaderMap) -> Response {
    told(enter(&desk, &headers).and_then(|()| {
        let book = desk.book();
        let mut all: Vec<&Listing> = book.stock.all().collect();
        all.sort_by(|a, b| a.sku.cmp(&b.sku));
        let wares: Vec<Value> = page(all, &asked, PAGE, &desk)?.into_iter().map(shown).collect();
        Ok(json_of(StatusCode::OK, &json!({ "wares": wares })))
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

async fn book(State(desk): State<Desk>, Query(asked): Query<Asked>, headers: HeaderMap) -> Response {
    told(enter(&desk, &headers).and_then(|()| {
        let mut book = desk.book();
        book.counts.asked_for_orders += 1;
        let mut shuffler = Shuffler::new(&book.faults, book.counts.asked_for_orders);
        let from = asked.from.unwrap_or_default();
        let mut all: Vec<&Bought> =
            book.orders.iter().filter(|bought| bought.changed.div_euclid(1000) >= from).collect();
        all.sort_by_key(|bought| (bought.changed, bought.order.change));
        let rows = page(all, &asked, book.faults.page.max(1), &desk)?.into_iter().map(written).collect();
        let rows = shuffler.told(rows);
        if let Some(at) = shuffler.touched(&book.faults, book.orders.len()) {
            book.note_change(at);
        }
        Ok(json_of(StatusCode::OK, &json!({ "rows": rows })))
    }))
}

async fn row(State(desk): State<Desk>, Path(row): Path<String>, headers: HeaderMap) -> Response {
    told(enter(&desk, &headers).and_then(|()| {
        let book = desk.book();
        let found = book.order(&row).map(written);
        let found = found.ok_or_else(|| Box::new(no(StatusCode::NOT_FOUND, "no such row")))?;
        Ok(json_of(StatusCode::OK, &found))
    }))
}
