//! A shop that numbers its listings itself (a listing is a plate), returns all orders at once, newest first,
//! and writes times in its country's form.

use super::book::Book;
use super::book::Bought;
use super::desk::{Answer, Desk, basic, json_of, no, number, read, told};
use super::stock::{Listing, Says};
use crate::broken::Broken;
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, patch};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use pretend::{OrderState, Shuffler};
use rust_decimal::Decimal;
use serde::Deserialize;
use serde_json::{Value, json};

const ZONE: &str = "Europe/Berlin";

pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/plates", get(plates).post(make))
        .route("/plates/{plate}", patch(change).delete(take_away))
        .route("/takings", get(takings))
}

fn lets_in(desk: &Desk, headers: &HeaderMap) -> Result<(), Box<Response>> {
    desk.lets_in(basic(headers).as_deref())
}

#[derive(Deserialize)]
struct Plate {
    yours: String,
    heading: String,
    #[serde(default)]
    below: String,
    asks: Decimal,
    hung: String,
    count: i64,
}

impl Plate {
    fn says(&self) -> Says {
        let left = if self.hung == "up" { Decimal::from(self.count.max(0)) } else { Decimal::ZERO };
        Says { name: self.heading.clone(), about: self.below.clone(), price: self.asks, left }
    }
}

/// Webhooks also report plates, which the receiver does not need.
fn tell_of(book: &mut Book, id: u64) {
    let (now, edition) = (book.true_now(), book.stock.by_id(id).map_or(0, |listing| listing.edition));
    book.outbound.add(
        || (format!("p{edition}"), json!({ "about": "plate", "plate": id, "at": edition }).to_string()),
        now,
    );
}

fn no_such() -> Response {
    no(StatusCode::NOT_FOUND, "no such plate")
}

async fn make(State(desk): State<Desk>, headers: HeaderMap, body: Bytes) -> Response {
    let make = || -> Answer {
        lets_in(&desk, &headers)?;
        let plate: Plate = read(&body)?;
        let mut book = desk.book();
        let known = book.stock.of(&plate.yours).map(|listing| listing.id).filter(|_| desk.habits().is_strict);
        if let Some(id) = known {
            book.counts.stale += 1;
            let there = json!({ "why": "it hangs here", "have": { "plate": id } });
            return Err(Box::new(json_of(StatusCode::CONFLICT, &there)));
        }
        book.counts.taken += 1;
        if desk.broken() == Broken::MakesTwice {
            book.stock.make(&plate.yours, plate.says());
        }
        let id = book.stock.make(&plate.yours, plate.says());
        tell_of(&mut book, id);
        Ok(json_of(StatusCode::CREATED, &json!({ "plate": id })))
    };
    told(make())
}

async fn change(State(desk): State<Desk>, Path(id): Path<u64>, headers: HeaderMap, body: Bytes) -> Response {
    let change = || -> Answer {
        lets_in(&desk, &headers)?;
        let plate: Plate = read(&body)?;
        let mut book = desk.book();
        if !book.stock.tell(id, plate.says()) {
            return Err(Box::new(no_such()));
        }
        // Whatever number it has: the shop does as it is told.
        book.stock.name(id, &plate.yours);
        book.counts.taken += 1;
        tell_of(&mut book, id);
        Ok(json_of(StatusCode::OK, &json!({ "plate": id })))
    };
    told(change())
}

async fn take_away(State(desk): State<Desk>, Path(id): Path<u64>, headers: HeaderMap) -> Response {
    told(lets_in(&desk, &headers).and_then(|()| {
        let mut book = desk.book();
        if !book.stock.take_away(id) {
            return Err(Box::new(no_such()));
        }
        book.counts.taken += 1;
        Ok(StatusCode::NO_CONTENT.into_response())
    }))
}

fn shown(listing: &Listing) -> Value {
    let have = listing.have();
    json!({
        "plate": listing.id,
        "yours": listing.sku,
        "heading": listing.says.name,
        "asks": listing.says.price.to_string(),
        "hung": if have.is_zero() { "down" } else { "up" },
        "count": number(have),
    })
}

/// The plates of one SKU, or all.
#[derive(Deserialize)]
struct Which {
    yours: Option<String>,
}

async fn plates(State(desk): State<Desk>, Query(which): Query<Which>, headers: HeaderMap) -> Response {
    told(lets_in(&desk, &headers).map(|()| {
        let book = desk.book();
        let is_wanted = |listing: &&Listing| which.yours.as_ref().is_none_or(|sku| *sku == listing.sku);
        let plates: Vec<Value> = book.stock.all().rev().filter(is_wanted).map(shown).collect();
        json_of(StatusCode::OK, &json!(plates))
    }))
}

/// As people there write it, to the second.
fn time(millis: i64, zone: &TimeZone) -> String {
    let at = Timestamp::from_millisecond(millis).unwrap_or(Timestamp::UNIX_EPOCH);
    zone.to_datetime(at).strftime("%d.%m.%Y %H:%M:%S").to_string()
}

fn written(bought: &Bought, zone: &TimeZone) -> Value {
    let order = &bought.order;
    let line = |line: &super::OrderLine| {
        json!({
            "yours": line.code,
            "times": number(line.count.abs()),
            "asks": line.each.to_string(),
            "by": line.back,
        })
    };
    let lines = |is_back: bool| -> Vec<Value> {
        order.lines.iter().filter(|line| line.back.is_some() == is_back).map(line).collect()
    };
    let state = match order.state {
        OrderState::OrderPaymentDue => "promised",
        OrderState::OrderProcessing => "paid",
        OrderState::OrderCancelled => "off",
    };
    json!({
        "taking": order.number,
        "on": time(bought.placed, zone),
        "last": time(bought.changed, zone),
        "is": state,
        "post": bought.postage.to_string(),
        "who": bought.buyer,
        "of": lines(false),
        "handed_back": lines(true),
    })
}

/// The body of a webhook about an order.
pub(super) fn hook(bought: &Bought) -> String {
    let mut told = written(bought, &TimeZone::get(ZONE).unwrap_or(TimeZone::UTC));
    told["about"] = json!("taking");
    told.to_string()
}

async fn takings(State(desk): State<Desk>, headers: HeaderMap) -> Response {
    told(lets_in(&desk, &headers).map(|()| {
        let zone = TimeZone::get(ZONE).unwrap_or(TimeZone::UTC);
        let mut book = desk.book();
        book.counts.asked_for_orders += 1;
        let mut shuffler = Shuffler::new(&book.faults, book.counts.asked_for_orders);
        let mut all: Vec<&Bought> = book.orders.iter().collect();
        all.sort_by_key(|bought| std::cmp::Reverse(bought.order.change));
        let all = shuffler.told(all.into_iter().map(|bought| written(bought, &zone)).collect());
        if let Some(at) = shuffler.touched(&book.faults, book.orders.len()) {
            book.note_change(at);
        }
        json_of(StatusCode::OK, &json!(all))
    }))
}
