//! `GET /bought`: the list of orders, by time of change or by a cursor, page by page; `GET
//! /bought/{reference}`: one order.

use super::{may_enter, problem};
use crate::book::Bought;
use crate::faults::{Faults, Shuffler};
use crate::shop::Shared;
use crate::time;
use axum::extract::{Path, Query, State};
use axum::http::header::{CONTENT_TYPE, DATE, ETAG, IF_NONE_MATCH, LINK};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

/// Orders per page, unless the faults say otherwise.
const PAGE: usize = 50;

#[derive(Deserialize)]
pub(super) struct Asked {
    /// Changed at that moment or later, by the shop's clock.
    since: Option<String>,
    /// The page after this change, with `since`.
    past: Option<u64>,
    /// Changed after that change; empty for all.
    after: Option<String>,
    /// The page with this number, from 1, by time of change. It shifts with every change.
    page: Option<usize>,
    /// The page from this position on, by time of change; empty for the first. It shifts too.
    from: Option<String>,
}

impl Asked {
    /// Where the page begins, if its position was given.
    fn place(&self, size: usize) -> Option<usize> {
        let by_number = self.page.map(|page| page.saturating_sub(1).saturating_mul(size));
        by_number.or_else(|| self.from.as_ref().map(|from| from.parse().unwrap_or_default()))
    }

    fn after(&self) -> Option<u64> {
        self.after.as_ref().map(|after| after.parse().unwrap_or_default())
    }
}

/// A page, and the last change on it if another page follows.
struct Page {
    orders: Vec<Value>,
    more_after: Option<u64>,
    last: Option<u64>,
}

/// The page that was asked for, oldest change first.
fn page(orders: &[Bought], since: Option<i64>, asked: &Asked, faults: &Faults, dice: &mut Shuffler) -> Page {
    let size = if faults.page == 0 { PAGE } else { faults.page };
    let after = asked.after();
    let mut found: Vec<&Bought> = orders
        .iter()
        .filter(|order| since.is_none_or(|since| order.changed >= since))
        .filter(|order| after.is_none_or(|after| order.change > after))
        .collect();
    // In the order of changes, which agrees with their times unless the clock is set back. No page boundary
    // falls between two changes of one moment.
    found.sort_by_key(|order| order.change);
    found.retain(|order| asked.past.is_none_or(|past| order.change > past));
    let place = asked.place(size);
    if let Some(place) = place {
        found.sort_by_key(|order| (order.changed, order.change));
        found.drain(..place.min(found.len()));
    }
    let is_more = found.len() > size;
    found.truncate(size);
    let behind = place.and_then(|place| u64::try_from(place + found.len()).ok());
    let last = found.last().map(|order| behind.unwrap_or(order.change));
    let orders = dice.told(found.into_iter().map(|order| order.json(faults.whole_seconds)).collect());
    Page { orders, more_after: last.filter(|_| is_more && place.is_none()), last }
}

/// `GET /bought?since=…` or `GET /bought?after=…`
pub(super) async fn list(
    State(shop): State<Shared>,
    Query(asked): Query<Asked>,
    headers: HeaderMap,
) -> Response {
    if let Err(rejection) = may_enter(&shop, &headers) {
        return *rejection;
    }
    let since = match asked.since.as_deref().filter(|text| !text.is_empty()).map(time::parse) {
        Some(None) => return problem(StatusCode::BAD_REQUEST, "since is a moment by RFC 3339"),
        Some(since) => since,
        None => None,
    };
    let (page, date) = {
        let mut book = shop.book();
        book.counts.asked_for_orders += 1;
        let faults = book.faults().clone();
        let mut dice = Shuffler::new(&faults, book.counts.asked_for_orders);
        let page = page(&book.orders, since, &asked, &faults, &mut dice);
        if let Some(at) = dice.touched(&faults, book.orders.len()) {
            book.touch(at);
        }
        (page, time::http_date(book.now()))
    };
    // The next page begins after what was seen; if nothing is new there is none.
    let next = page.last.map(|last| last.to_string());
    let body = json!({ "bought": page.orders, "next": next }).to_string();
    let etag = etag(&body);
    if headers.get(IF_NONE_MATCH).is_some_and(|tag| tag.as_bytes() == etag.as_bytes()) {
        return (StatusCode::NOT_MODIFIED, [(ETAG, etag), (DATE, date)]).into_response();
    }
    let head = [(CONTENT_TYPE, "application/json".to_owned()), (ETAG, etag), (DATE, date)];
    let mut answer = (head, body).into_response();
    if let (Some(past), None) = (page.more_after, asked.after()) {
        let since = asked.since.map(|since| format!("since={}&", encoded(&since))).unwrap_or_default();
        if let Ok(link) = format!("</bought?{since}past={past}>; rel=\"next\"").parse() {
            answer.headers_mut().insert(LINK, link);
        }
    }
    answer
}

/// `GET /bought/{reference}`
pub(super) async fn one(
    State(shop): State<Shared>,
    Path(reference): Path<String>,
    headers: HeaderMap,
) -> Response {
    if let Err(rejection) = may_enter(&shop, &headers) {
        return *rejection;
    }
    let (found, date) = {
        let book = shop.book();
        let told = book.order(&reference).map(|order| order.json(book.faults().whole_seconds));
        (told, time::http_date(book.now()))
    };
    match found {
        Ok(order) => {
            let head = [(CONTENT_TYPE, "application/json".to_owned()), (DATE, date)];
            (head, order.to_string()).into_response()
        }
        Err(_) => problem(StatusCode::NOT_FOUND, "no such order"),
    }
}

/// A moment in an address, where a plus sign would be read as a space.
fn encoded(since: &str) -> String {
    since.replace('+', "%2B")
}

fn etag(body: &str) -> String {
    let hash = Sha256::digest(body);
    let print = hash.iter().take(8).fold(0_u64, |print, byte| (print << 8) | u64::from(*byte));
    format!("\"{print:016x}\"")
}
