//! The shop's API for programs.

mod bought;
mod intake;

use crate::shop::Shared;
use axum::Router;
use axum::http::header::{AUTHORIZATION, CONTENT_TYPE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post, put};
use serde_json::json;

pub(crate) fn routes() -> Router<Shared> {
    Router::new()
        .route("/intake", get(intake::list).post(intake::post))
        .route("/intake/batch", post(intake::batch))
        .route("/intake/{sku}", put(intake::put).get(intake::one).delete(intake::end))
        .route("/bought", get(bought::list))
        .route("/bought/{reference}", get(bought::one))
}

/// A problem document (RFC 9457).
fn problem(status: StatusCode, detail: &str) -> Response {
    let title = status.canonical_reason().unwrap_or("Problem");
    let body = json!({ "title": title, "status": status.as_u16(), "detail": detail }).to_string();
    (status, [(CONTENT_TYPE, "application/problem+json")], body).into_response()
}

/// Lets a program in that sends the secret; otherwise says how.
fn may_enter(shop: &Shared, headers: &HeaderMap) -> Result<(), Box<Response>> {
    let Some(secret) = shop.secret() else { return Ok(()) };
    let brought = text_of(headers, AUTHORIZATION.as_str()).and_then(|text| text.strip_prefix("Bearer "));
    if brought == Some(secret) {
        return Ok(());
    }
    Err(problem(StatusCode::UNAUTHORIZED, "bring the shop's secret as Authorization: Bearer …").into())
}

fn text_of<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}
