//! What all requests share, in one layer: the guard, the limits, the headers, counting, the log, and
//! the last resort against a panic.

use crate::app::{App, MAX_AT_ONCE};
use crate::problem::{Kind, Problem, Reported};
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::any::Any;
use std::future::poll_fn;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::task::Poll;
use std::time::{Duration, Instant};

/// The longest that a request is worked on: six times what a write waits for another.
pub(crate) const REQUEST_TIME: Duration = Duration::from_secs(30);
/// Requests below it are let in up to a number at once; health and counters always.
const API: &str = "/api/";

/// The layer.
pub(crate) async fn edge(State(app): State<App>, request: Request, next: Next) -> Response {
    let started = Instant::now();
    let route = request.extensions().get::<MatchedPath>().cloned();
    let method = method_label(request.method());
    let mut response = match app.guard.check(&request) {
        Err(problem) => problem.into_response(),
        Ok(()) => let_in(&app, request, next).await,
    };
    let headers = response.headers_mut();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    let route = route.as_ref().map_or("none", MatchedPath::as_str);
    if let Some(reported) = response.extensions_mut().remove::<Reported>() {
        app.meters.problem(reported.kind.code());
        log(&reported, method, route);
    }
    app.meters.request(route, method, response.status().as_u16(), started.elapsed());
    response
}

/// Lets a request in, if there is room, and gives it up if it takes too long.
async fn let_in(app: &App, request: Request, next: Next) -> Response {
    let is_counted = request.uri().path().starts_with(API);
    let permit = is_counted.then(|| app.gate.try_acquire()).transpose();
    if permit.is_err() {
        let words = format!("{MAX_AT_ONCE} requests are being worked on; ask again in a moment");
        return Problem::new(Kind::Busy, words).into_response();
    }
    let given_up = |_| {
        let words = "this took too long and was given up; ask again with the same key";
        Problem::new(Kind::Busy, words).into_response()
    };
    tokio::time::timeout(REQUEST_TIME, unpanicked(next, request)).await.unwrap_or_else(given_up)
}

/// Runs the handler; a panic in it becomes a problem of this request alone. Nothing that a handler
/// leaves behind half done is seen again: what it shares with others is the ledger, whose
/// transactions end with it.
async fn unpanicked(next: Next, request: Request) -> Response {
    let mut handler = pin!(next.run(request));
    poll_fn(|context| match catch_unwind(AssertUnwindSafe(|| handler.as_mut().poll(context))) {
        Ok(poll) => poll,
        Err(panic) => Poll::Ready(Problem::panicked(words_of(panic.as_ref())).into_response()),
    })
    .await
}

fn words_of(panic: &(dyn Any + Send)) -> &str {
    let text = panic.downcast_ref::<&str>().copied();
    text.or_else(|| panic.downcast_ref::<String>().map(String::as_str)).unwrap_or("without words")
}

/// What went wrong here is told once, with all its causes; what was refused is daily business.
fn log(reported: &Reported, method: &str, route: &str) {
    let kind = reported.kind.code();
    if let Some(cause) = &reported.cause {
        tracing::error!(method, route, problem = kind, cause, "a request failed");
    } else {
        tracing::debug!(method, route, problem = kind, "a request was refused");
    }
}

/// The method as a label; there are endless others, and a label must not be.
fn method_label(method: &Method) -> &'static str {
    match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::PATCH => "PATCH",
        Method::DELETE => "DELETE",
        _ => "other",
    }
}

#[cfg(test)]
mod tests;
