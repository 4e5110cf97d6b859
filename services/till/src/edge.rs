//! What all requests share, in one layer: request checks, sign-in, limits, headers, metrics, the log, and
//! catching a panic.

pub(crate) mod auth;
mod compression;
mod paced_body;
mod request_id;
pub(crate) mod routes;
pub(crate) mod serve;

use crate::app::App;
use crate::edge::auth::admit;
use crate::edge::paced_body::PacedBody;
use crate::edge::request_id::REQUEST_ID;
use crate::edge::routes::EdgeState;
use crate::pages::{confirm, policy, wrong};
use crate::problem::{Kind, Problem, Reported};
use crate::request::caller::{Access, Caller};
use crate::traffic::gates::Ticket;
use crate::traffic::guard::is_page;
use crate::traffic::limits::CallerKind;
use crate::traffic::visit::Via;
use crate::traffic::visit::Visit;
use axum::body::Body;
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::any::Any;
use std::future::{Future, poll_fn};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::sync::Arc;
use std::task::Poll;
use std::time::{Duration, Instant};
use tracing::{Instrument, Span, field};

/// The longest that a request is worked on after it was read: six times what a write waits for another.
pub(crate) const REQUEST_TIME: Duration = Duration::from_secs(30);
/// Requests to these are always let in; all others up to a number at once.
const WATCHED: [&str; 2] = ["/health/", "/metrics"];

/// OWASP ASVS 5.0.0: 14.3.2, 3.4.4, 3.4.3 and 3.4.6, 3.4.5, 3.4.8. Nothing is loaded from elsewhere, pages
/// contain no scripts, and no other page can show one of ours in a frame.
const HEADERS: [(HeaderName, &str); 5] = [
    (header::CACHE_CONTROL, "no-store"),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::CONTENT_SECURITY_POLICY, policy::PLAIN),
    (header::REFERRER_POLICY, "same-origin"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
];

/// A year (OWASP ASVS 5.0.0, 3.4.1). Not for names below it, which may belong to others.
const HTTPS_ONLY: &str = "max-age=31536000";

/// The layer. Everything logged about a request is in one span, named by the id that its answer carries.
pub(crate) async fn edge(State(state): State<EdgeState>, request: Request, next: Next) -> Response {
    let id = request_id::of(request.headers());
    let route = request.extensions().get::<MatchedPath>().cloned();
    let span = tracing::info_span!(
        "request",
        id = request_id::text(&id),
        method = method_label(request.method()),
        route = route.as_ref().map_or("none", MatchedPath::as_str),
        status = field::Empty,
    );
    let mut response = answer(&state, route, request, next).instrument(span).await;
    response.headers_mut().insert(REQUEST_ID, id);
    response
}

async fn answer(state: &EdgeState, route: Option<MatchedPath>, request: Request, next: Next) -> Response {
    let app = &state.app;
    let started = Instant::now();
    let access = route.as_ref().and_then(|route| state.policies.of(route.as_str(), request.method()));
    let method = method_label(request.method());
    let is_page = is_page(request.uri().path());
    let visit = app.guard.check(&request);
    let is_site = visit.as_ref().is_ok_and(|visit| visit.via == Via::Site);
    let mut response = match visit {
        Err(problem) => problem.into_response(),
        Ok(visit) => unpanicked(let_in(app, access, visit, request, next)).await,
    };
    let route = route.as_ref().map_or("none", MatchedPath::as_str);
    let caller = response.extensions_mut().remove::<Caller>();
    Span::current().record("status", response.status().as_u16());
    if let Some(reported) = response.extensions_mut().remove::<Reported>() {
        app.meters.problem(reported.kind.code());
        log(&reported);
        if is_page {
            response = wrong::as_page(app, caller.as_ref(), &reported, response);
        }
    }
    set_headers(response.headers_mut(), is_site);
    app.meters.request(route, method, response.status().as_u16(), started.elapsed());
    response
}

/// Headers of every answer; what a handler has set stays.
fn set_headers(headers: &mut HeaderMap, is_site: bool) {
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    if is_site {
        headers.insert(header::STRICT_TRANSPORT_SECURITY, HeaderValue::from_static(HTTPS_ONLY));
    }
}

/// Lets a request in if the caller may use its route and there is room, and ends it if it takes too long.
async fn let_in(app: &App, access: Option<Access>, visit: Visit, request: Request, next: Next) -> Response {
    let (mut parts, body) = request.into_parts();
    let caller = match admit(app, access, &visit, &parts).await {
        Ok(caller) => caller,
        Err(response) => return *response,
    };
    let kind = caller.as_ref().map_or(CallerKind::Nobody, Caller::kind);
    let is_watch = WATCHED.iter().any(|start| parts.uri.path().starts_with(start));
    let ticket = if is_watch { Ticket::free() } else { Ticket::new(app.gates.of(kind), app.limits.turn) };
    let is_read = matches!(parts.method, Method::GET | Method::HEAD);
    // A request that only reads has no body to wait for.
    if is_read && ticket.clone().enter().await.is_err() {
        return ticket.trouble().unwrap_or_else(given_up).into_response();
    }
    let pace = app.limits.pace(kind);
    let body = if is_read { body } else { Body::new(PacedBody::new(body, pace, ticket.clone())) };
    parts.extensions.insert(visit);
    if let Some(caller) = &caller {
        parts.extensions.insert(caller.clone());
    }
    let request = Request::from_parts(parts, body);
    let handled = async {
        match &caller {
            Some(caller) if must_confirm(access, caller, request.method()) => {
                confirmed(app, &visit, caller, request, next).await
            }
            _ => next.run(request).await,
        }
    };
    let mut response = tokio::select! {
        response = handled => response,
        () = too_long(&ticket, pace.longest + app.limits.turn) => given_up().into_response(),
    };
    if let Some(problem) = ticket.trouble() {
        response = problem.into_response();
    }
    debug_assert!(
        ticket.has_entered() || !response.status().is_success(),
        "something was done without a turn"
    );
    if let Some(caller) = caller {
        response.extensions_mut().insert(caller);
    }
    response
}

/// Whether a change waits until its person has entered their password again. Programs have none.
fn must_confirm(access: Option<Access>, caller: &Caller, method: &Method) -> bool {
    let changes = !matches!(*method, Method::GET | Method::HEAD);
    let is_stale = caller.person.is_some_and(|person| !person.is_fresh);
    changes && is_stale && access.is_some_and(Access::needs_confirmation)
}

/// Asks for the password first, and goes on once it was entered.
async fn confirmed(app: &App, visit: &Visit, caller: &Caller, request: Request, next: Next) -> Response {
    match confirm::ask(app, visit, caller, request).await {
        Ok(confirm::Outcome::Confirmed(request, cookie)) => {
            let mut response = next.run(*request).await;
            response.headers_mut().append(header::SET_COOKIE, cookie);
            response
        }
        Ok(confirm::Outcome::Answered(response)) => *response,
        Err(problem) => problem.into_response(),
    }
}

/// Ends when the work took too long: since the request had its turn or, without one, since it came.
async fn too_long(ticket: &Arc<Ticket>, before: Duration) {
    // Without a turn there is nothing to work on for the rest of the time.
    let _ = tokio::time::timeout(before + REQUEST_TIME, ticket.entered()).await;
    if ticket.has_entered() {
        tokio::time::sleep(REQUEST_TIME).await;
    }
}

fn given_up() -> Problem {
    Problem::new(Kind::Busy, "this took too long and was stopped; try again with the same key")
        .on_page("this took too long and was stopped. Try again")
}

/// Waits for the answer; a panic becomes a problem of this request alone. Nothing that a handler leaves half
/// done is seen again: it only shares the ledger with others, whose transactions end with it.
async fn unpanicked(handled: impl Future<Output = Response>) -> Response {
    let mut handler = pin!(handled);
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

/// Our own failures are logged once with all causes; rejections are routine.
fn log(reported: &Reported) {
    let kind = reported.kind.code();
    let is_refused = matches!(reported.kind, Kind::SignInNeeded | Kind::NotAllowed | Kind::ForeignOrigin);
    if let Some(cause) = &reported.cause {
        tracing::error!(problem = kind, cause, "a request failed");
    } else if is_refused {
        // OWASP ASVS 5.0.0, 16.3.2 and 16.3.3.
        tracing::info!(problem = kind, "a request was not let in");
    } else {
        tracing::debug!(problem = kind, "a request was refused");
    }
}

/// The method as a label; there are countless others, and labels must not be.
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
