//! The listing intake: one listing, several at once, the end of one, and the list of all.

use super::{may_enter, problem, text_of};
use crate::book::Book;
use crate::goods::{NotTaken, Shown, TakenIn};
use crate::keys::{Kept, Known, print_of};
use crate::message::Message;
use crate::shop::Shared;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::header::{CONTENT_TYPE, ETAG, IF_MATCH, LINK};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

/// Listings per page of the list.
const PAGE: usize = 100;
/// The most listings in one request.
const MAX_BATCH: usize = 50;

/// What the answer to a listing is made from.
type Answer = Result<Kept, Box<Response>>;

/// `PUT /intake/{sku}`
pub(super) async fn put(
    State(shop): State<Shared>,
    Path(sku): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let path = format!("/intake/{sku}");
    said(&shop, ("PUT", &path), &headers, &body, |book| {
        let message: Message = read(&body)?;
        if message.sku.as_ref().is_some_and(|named| *named != sku) {
            let words = "the listing names another sku than the address";
            return Err(problem(StatusCode::BAD_REQUEST, words).into());
        }
        let conditions = book.conditions(text_of(&headers, IF_MATCH.as_str()).map(str::to_owned));
        let taken = book.goods.take(&sku, &message, &conditions);
        answer(book, &sku, taken).inspect(|_| book.remember(&sku, message.revision(), &body))
    })
}

/// `POST /intake`
pub(super) async fn post(State(shop): State<Shared>, headers: HeaderMap, body: Bytes) -> Response {
    said(&shop, ("POST", "/intake"), &headers, &body, |book| {
        let message: Message = read(&body)?;
        let sku = message.sku.clone().unwrap_or_default();
        let taken = book.goods.take(&sku, &message, &book.conditions(None));
        answer(book, &sku, taken).inspect(|_| book.remember(&sku, message.revision(), &body))
    })
}

/// Several at once: all of them or none.
#[derive(Deserialize)]
struct Batch {
    listings: Vec<Message>,
}

/// `POST /intake/batch`
pub(super) async fn batch(State(shop): State<Shared>, headers: HeaderMap, body: Bytes) -> Response {
    said(&shop, ("POST", "/intake/batch"), &headers, &body, |book| {
        let Batch { listings } = read(&body)?;
        if listings.len() > MAX_BATCH {
            let words = format!("at most {MAX_BATCH} listings at once");
            return Err(problem(StatusCode::PAYLOAD_TOO_LARGE, &words).into());
        }
        let conditions = book.conditions(None);
        let sku = |message: &Message| message.sku.clone().unwrap_or_default();
        for message in &listings {
            book.goods
                .may_be_taken(&sku(message), message, &conditions)
                .map_err(|not| Box::new(refused(book, &not)))?;
        }
        let mut told = Vec::with_capacity(listings.len());
        for message in &listings {
            let taken = book.goods.take(&sku(message), message, &conditions);
            let taken = taken.map_err(|not| Box::new(refused(book, &not)))?;
            book.counts.taken += 1;
            told.push(json!({ "sku": sku(message), "ref": taken.reference }));
        }
        Ok(Kept { status: 200, etag: String::new(), body: json!({ "listings": told }).to_string() })
    })
}

#[derive(Deserialize)]
pub(super) struct End {
    revision: Option<i64>,
}

/// `DELETE /intake/{sku}?revision=…`
pub(super) async fn end(
    State(shop): State<Shared>,
    Path(sku): Path<String>,
    Query(End { revision }): Query<End>,
    headers: HeaderMap,
) -> Response {
    let path = format!("/intake/{sku}?{revision:?}");
    said(&shop, ("DELETE", &path), &headers, &[], |book| {
        let conditions = book.conditions(text_of(&headers, IF_MATCH.as_str()).map(str::to_owned));
        book.goods.end(&sku, revision, &conditions).map_err(|not| Box::new(refused(book, &not)))?;
        book.counts.taken += 1;
        Ok(Kept { status: 204, etag: String::new(), body: String::new() })
    })
}

/// What all messages share: permission, the key, and telling the pages.
fn said(
    shop: &Shared,
    (method, path): (&str, &str),
    headers: &HeaderMap,
    body: &[u8],
    take: impl FnOnce(&mut Book) -> Answer,
) -> Response {
    if let Err(rejection) = may_enter(shop, headers) {
        return *rejection;
    }
    let key = text_of(headers, "idempotency-key").map(|key| (key.to_owned(), print_of(method, path, body)));
    shop.change(|book| {
        if let Some((key, print)) = &key {
            match book.keys.known(key, print) {
                Known::New => {}
                Known::Answered(kept) => {
                    book.counts.replayed += 1;
                    return written(&kept);
                }
                Known::OfAnother => {
                    let words = "this Idempotency-Key came with another request before";
                    return problem(StatusCode::UNPROCESSABLE_ENTITY, words);
                }
            }
        }
        match take(book) {
            Ok(kept) => {
                let answer = written(&kept);
                if let Some((key, print)) = key {
                    book.keys.keep(key, print, kept);
                }
                answer
            }
            Err(rejection) => *rejection,
        }
    })
}

fn written(kept: &Kept) -> Response {
    let status = StatusCode::from_u16(kept.status).unwrap_or(StatusCode::OK);
    if kept.body.is_empty() {
        return status.into_response();
    }
    let json = (CONTENT_TYPE, "application/json");
    if kept.etag.is_empty() {
        return (status, [json], kept.body.clone()).into_response();
    }
    (status, [json, (ETAG, &kept.etag)], kept.body.clone()).into_response()
}

fn read<T: for<'de> Deserialize<'de>>(body: &[u8]) -> Result<T, Box<Response>> {
    serde_json::from_slice(body).map_err(|error| problem(StatusCode::BAD_REQUEST, &error.to_string()).into())
}

fn answer(book: &mut Book, sku: &str, taken: Result<TakenIn, NotTaken>) -> Answer {
    let taken = taken.map_err(|not| Box::new(refused(book, &not)))?;
    book.counts.taken += 1;
    let status = if taken.is_new { 201 } else { 200 };
    let body = json!({ "sku": sku, "ref": taken.reference }).to_string();
    Ok(Kept { status, etag: taken.etag, body })
}

fn refused(book: &mut Book, not: &NotTaken) -> Response {
    match not {
        NotTaken::Unknown => problem(StatusCode::NOT_FOUND, "no such listing; say the whole of it first"),
        NotTaken::Stale { have } => {
            book.counts.stale += 1;
            let words = format!("revision {have} was told already");
            problem(StatusCode::PRECONDITION_FAILED, &words)
        }
        NotTaken::NotThatOne => {
            book.counts.stale += 1;
            problem(StatusCode::PRECONDITION_FAILED, "the listing has changed; read its ETag again")
        }
        NotTaken::Unreadable(why) => problem(StatusCode::UNPROCESSABLE_ENTITY, why),
        NotTaken::Full => problem(StatusCode::INSUFFICIENT_STORAGE, "the shop is full"),
    }
}

fn listed(shown: &Shown) -> Value {
    json!({
        "sku": shown.sku,
        "ref": shown.reference,
        "name": shown.name,
        "price": shown.price,
        "currency": shown.currency,
        "availability": if shown.have.is_zero() { "SoldOut" } else { "InStock" },
        "count": shown.have,
        "unit": shown.unit,
        "revision": shown.revision,
    })
}

/// `GET /intake/{sku}`
pub(super) async fn one(State(shop): State<Shared>, Path(sku): Path<String>, headers: HeaderMap) -> Response {
    if let Err(rejection) = may_enter(&shop, &headers) {
        return *rejection;
    }
    let found = shop.book().goods.one(&sku).filter(|(shown, _)| shown.listed);
    match found {
        Some((shown, etag)) => {
            let head = [(CONTENT_TYPE, "application/json".to_owned()), (ETAG, etag)];
            (head, listed(&shown).to_string()).into_response()
        }
        None => problem(StatusCode::NOT_FOUND, "no such listing"),
    }
}

/// The page, from 1.
#[derive(Deserialize)]
pub(super) struct Page {
    page: Option<usize>,
}

/// `GET /intake?page=…`
pub(super) async fn list(
    State(shop): State<Shared>,
    Query(Page { page }): Query<Page>,
    headers: HeaderMap,
) -> Response {
    if let Err(rejection) = may_enter(&shop, &headers) {
        return *rejection;
    }
    let page = page.unwrap_or(1).max(1);
    let (shown, count): (Vec<Value>, usize) = {
        let book = shop.book();
        let shown = book.goods.listed().skip((page - 1).saturating_mul(PAGE)).take(PAGE);
        (shown.map(|shown| listed(&shown)).collect(), book.goods.count())
    };
    let body = json!({ "listings": shown, "page": page, "pages": count.div_ceil(PAGE) }).to_string();
    let mut answer = ([(CONTENT_TYPE, "application/json")], body).into_response();
    if page < count.div_ceil(PAGE)
        && let Ok(link) = format!("</intake?page={}>; rel=\"next\"", page + 1).parse()
    {
        answer.headers_mut().insert(LINK, link);
    }
    answer
}
