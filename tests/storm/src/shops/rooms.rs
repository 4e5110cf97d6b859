//! A shop that stores a thing's stock room by room within its document, requires the document's `ETag`, and
//! adds each state of each order to a log that only grows.

use super::book::{Book, Bought, Entry};
use super::desk::{Answer, Desk, header, json_of, no, number, read, stamp, told};
use super::stock::{Listing, Says};
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::header::{ETAG, IF_MATCH};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::response::Response;
use axum::routing::get;
use pretend::{OrderState, Shuffler};
use rust_decimal::Decimal;
use serde::Deserialize;
use serde_json::{Value, json};

/// Things per page of its list.
const PAGE: usize = 6;

pub(super) fn routes() -> Router<Desk> {
    Router::new()
        .route("/things", get(things))
        .route("/things/{label}", get(thing).put(put))
        .route("/log", get(log))
        .route("/slips/{number}", get(slip))
}

fn lets_in(desk: &Desk, headers: &HeaderMap) -> Result<(), Box<Response>> {
    desk.lets_in(header(headers, "x-desk-word"))
}

#[derive(Deserialize)]
struct Thing {
    label: String,
    front: Front,
    rooms: Vec<Room>,
}

#[derive(Deserialize)]
struct Front {
    headline: String,
    #[serde(default)]
    story: String,
    asking: Asking,
    sign: String,
}

#[derive(Deserialize)]
struct Asking {
    sum: Decimal,
}

#[derive(Deserialize)]
struct Room {
    room: String,
    shelf: Shelf,
}

#[derive(Deserialize)]
struct Shelf {
    left: Decimal,
}

impl Thing {
    /// What can be bought is what is in the public room.
    fn says(&self) -> Says {
        let seen: Decimal = self.rooms.iter().filter(|r| r.room == "web").map(|r| r.shelf.left).sum();
        let left = if self.front.sign == "open" { seen.max(Decimal::ZERO) } else { Decimal::ZERO };
        let Front { headline, story, asking, .. } = &self.front;
        Says { name: headline.clone(), about: story.clone(), price: asking.sum, left }
    }
}

fn document(listing: &Listing) -> Value {
    let Says { name, about, price, .. } = &listing.says;
    let have = listing.have();
    json!({
        "label": listing.sku,
        "front": {
            "headline": name,
            "story": about,
            "asking": { "sum": price.to_string(), "coin": "USD" },
            "sign": if have.is_zero() { "gone" } else { "open" },
        },
        "rooms": [
            { "room": "web", "shelf": { "left": number(have), "row": 1 } },
            { "room": "loft", "shelf": { "left": 0, "row": 4 } },
        ],
    })
}

fn with_etag(mut answer: Response, etag: &str) -> Response {
    if let Ok(etag) = HeaderValue::from_str(etag) {
        answer.headers_mut().insert(ETAG, etag);
    }
    answer
}

async fn put(
    State(desk): State<Desk>,
    Path(label): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    told(take(&desk, &label, &headers, &body))
}

fn take(desk: &Desk, label: &str, headers: &HeaderMap, body: &[u8]) -> Answer {
    lets_in(desk, headers)?;
    let thing: Thing = read(body)?;
    if thing.label != label {
        return Err(Box::new(no(StatusCode::UNPROCESSABLE_ENTITY, "the address has another label")));
    }
    let mut book = desk.book();
    let known = book.stock.of(label).map(|listing| (listing.id, listing.etag()));
    let rejection = match (&known, header(headers, IF_MATCH.as_str())) {
        (Some((_, etag)), Some(wanted)) if wanted != etag => Some(StatusCode::PRECONDITION_FAILED),
        (None, Some(_)) => Some(StatusCode::PRECONDITION_FAILED),
        (Some(_), None) if desk.habits().is_strict => Some(StatusCode::PRECONDITION_REQUIRED),
        _ => None,
    };
    if let Some(status) = rejection {
        book.counts.stale += 1;
        return Err(Box::new(no(status, "it is not as you know it")));
    }
    book.counts.taken += 1;
    let (status, id) = match known {
        Some((id, _)) => {
            book.stock.tell(id, thing.says());
            (StatusCode::OK, id)
        }
        None => (StatusCode::CREATED, book.stock.make(label, thing.says())),
    };
    let etag = book.stock.by_id(id).map(Listing::etag).unwrap_or_default();
    Ok(with_etag(json_of(status, &json!({ "label": label })), &etag))
}

async fn thing(State(desk): State<Desk>, Path(label): Path<String>, headers: HeaderMap) -> Response {
    told(lets_in(&desk, &headers).and_then(|()| {
        let book = desk.book();
        let listing =
            book.stock.of(&label).ok_or_else(|| Box::new(no(StatusCode::NOT_FOUND, "no such thing")))?;
        Ok(with_etag(json_of(StatusCode::OK, &document(listing)), &listing.etag()))
    }))
}

#[derive(Deserialize)]
struct Behind {
    behind: Option<String>,
}

async fn things(State(desk): State<Desk>, Query(from): Query<Behind>, headers: HeaderMap) -> Response {
    told(lets_in(&desk, &headers).map(|()| {
        let behind = from.behind.unwrap_or_default();
        let book = desk.book();
        let mut found: Vec<&Listing> = book.stock.all().filter(|listing| listing.sku > behind).collect();
        found.sort_by(|a, b| a.sku.cmp(&b.sku));
        let reached = found.get(PAGE - 1).filter(|_| found.len() > PAGE).map(|listing| listing.sku.clone());
        let things: Vec<Value> = found.into_iter().take(PAGE).map(document).collect();
        json_of(StatusCode::OK, &json!({ "things": things, "reached": reached }))
    }))
}

fn written(bought: &Bought, book: &Book) -> Value {
    let time = |millis: i64| {
        jiff::Timestamp::from_millisecond(millis).map(|at| format!("{at:.3}")).unwrap_or_default()
    };
    let order = &bought.order;
    let line = |line: &super::OrderLine| {
        let (count, each) = (number(line.count.abs()), line.each.to_string());
        if line.count.is_zero() {
            json!({ "label": line.code, "sum": each, "mark": line.back })
        } else {
            json!({ "label": line.code, "count": count, "each": each, "mark": line.back })
        }
    };
    let lines = |is_back: bool| -> Vec<Value> {
        order.lines.iter().filter(|line| line.back.is_some() == is_back).map(line).collect()
    };
    let stage = match order.state {
        OrderState::OrderPaymentDue => "owing",
        OrderState::OrderProcessing => "settled",
        OrderState::OrderCancelled => "dropped",
    };
    json!({
        "number": order.number,
        "written": time(bought.placed),
        "touched": time(stamp(bought.changed, &book.faults)),
        "stage": stage,
        "carriage": bought.postage.to_string(),
        "for": { "name": bought.buyer },
        "basket": lines(false),
        "returned": lines(true),
    })
}

/// A mark is an opaque value of the shop.
fn mark(at: u64) -> String {
    format!("m{at}")
}

fn place(mark: &str) -> Option<u64> {
    mark.strip_prefix('m')?.parse().ok()
}

async fn log(State(desk): State<Desk>, Query(from): Query<Behind>, headers: HeaderMap) -> Response {
    told(lets_in(&desk, &headers).and_then(|()| {
        let mut book = desk.book();
        book.counts.asked_for_orders += 1;
        let behind = from.behind.filter(|mark| !mark.is_empty());
        let last = book.log.last().map_or(0, |entry| entry.at);
        let from =
            behind.as_deref().map_or(Some(0), place).filter(|at| *at <= last || !desk.habits().is_strict);
        // A mark that the shop never issued, or issued before it was restored.
        let Some(from) = from else { return Err(Box::new(no(StatusCode::GONE, "no such mark"))) };
        let mut shuffler = Shuffler::new(&book.faults, book.counts.asked_for_orders);
        let mut found: Vec<Entry> = book.log.iter().filter(|entry| entry.at > from).cloned().collect();
        found.truncate(book.faults.page.max(1));
        let reached = found.last().map(|entry| mark(entry.at)).or(behind);
        let entry = |entry: &Entry| json!({ "at": entry.at, "slip": written(&entry.bought, &book) });
        let entries = shuffler.told(found.iter().map(entry).collect());
        if let Some(at) = shuffler.touched(&book.faults, book.orders.len()) {
            book.note_change(at);
        }
        Ok(json_of(StatusCode::OK, &json!({ "entries": entries, "reached": reached })))
    }))
}

async fn slip(State(desk): State<Desk>, Path(number): Path<String>, headers: HeaderMap) -> Response {
    told(lets_in(&desk, &headers).and_then(|()| {
        let book = desk.book();
        let found = book.order(&number).map(|bought| json!({ "slip": written(bought, &book) }));
        let found = found.ok_or_else(|| Box::new(no(StatusCode::NOT_FOUND, "no such slip")))?;
        Ok(json_of(StatusCode::OK, &found))
    }))
}
