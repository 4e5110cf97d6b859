//! What our own shops have in common: a loopback server with faults, the book behind it, and who has access.

use super::book::{Book, ShopClock};
use super::{ShopKind, Shown, lots, plates, rooms};
use crate::broken::Broken;
use crate::plan::{Habits, Plan};
use crate::{Doing, StormError};
use axum::Router;
use axum::extract::{Request, State};
use axum::http::header::{AUTHORIZATION, CONTENT_TYPE, DATE, RETRY_AFTER};
use axum::http::{HeaderMap, StatusCode};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use pretend::{Breaker, Door, Fault, Faults, Faulty, Visits, deliver, http_date, pass};
use rust_decimal::Decimal;
use serde::Deserialize;
use serde_json::{Value, json};
use sha2::Sha256;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;

/// How long a shop that limits requests counts them together.
const COUNTED_FOR_MS: i64 = 20_000;

/// What a handler answers, or its refusal.
pub(super) type Answer = Result<Response, Box<Response>>;

#[derive(Clone, Debug)]
pub(super) struct Desk(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    book: Mutex<Book>,
    visits: Mutex<Visits>,
    /// When counting started, and how many requests came since.
    came: Mutex<(i64, u32)>,
    /// Tokens that were issued, each with its end by the true time.
    passes: Mutex<Vec<(String, i64)>>,
    habits: Habits,
    broken: Broken,
    secret: String,
    seed: u64,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    pub(super) fn book(&self) -> MutexGuard<'_, Book> {
        lock(&self.0.book)
    }

    pub(super) fn habits(&self) -> Habits {
        self.0.habits
    }

    pub(super) fn broken(&self) -> Broken {
        self.0.broken
    }

    /// Issues a token for a while.
    pub(super) fn pass(&self, lasts_ms: i64) -> String {
        let (until, mut passes) = (self.book().true_now() + lasts_ms, lock(&self.0.passes));
        let pass = format!("pass-{}", passes.len());
        passes.push((pass.clone(), until));
        pass
    }

    /// Accepts a token that is still valid.
    pub(super) fn lets_in_by_pass(&self, brought: Option<&str>) -> Result<(), Box<Response>> {
        let now = self.book().true_now();
        let is_good = |(pass, until): &(String, i64)| brought == Some(pass.as_str()) && now < *until;
        if lock(&self.0.passes).iter().any(is_good) {
            return Ok(());
        }
        Err(Box::new(no(StatusCode::UNAUTHORIZED, "this is no pass, or no more")))
    }

    pub(super) fn seed(&self) -> u64 {
        self.0.seed
    }

    /// Accepts the secret, in the form that the shop wants.
    pub(super) fn lets_in(&self, brought: Option<&str>) -> Result<(), Box<Response>> {
        if brought == Some(self.0.secret.as_str()) {
            return Ok(());
        }
        Err(Box::new(no(StatusCode::UNAUTHORIZED, "this is not the word")))
    }

    /// Refuses requests above the limit, by the true time.
    pub(super) fn counts(&self) -> Result<(), Box<Response>> {
        let (now, mut came) = (self.book().true_now(), lock(&self.0.came));
        if !(came.0..came.0 + COUNTED_FOR_MS).contains(&now) {
            *came = (now, 0);
        }
        came.1 += 1;
        if came.1 <= self.0.habits.requests {
            return Ok(());
        }
        let left = (came.0 + COUNTED_FOR_MS - now + 999) / 1000;
        let mut answer = no(StatusCode::TOO_MANY_REQUESTS, "one after the other, please");
        answer.headers_mut().insert(RETRY_AFTER, left.into());
        Err(Box::new(answer))
    }
}

impl Faulty for Desk {
    fn meets(&self, address: &str) -> Option<Fault> {
        let mut book = self.book();
        book.counts.requests += 1;
        let met = lock(&self.0.visits).fault(&book.faults, address);
        book.counts.faults += u64::from(met.is_some());
        met
    }

    fn slow(&self, more: i64) {
        let counts = &mut self.book().counts;
        counts.still_to_act = counts.still_to_act.saturating_add_signed(more);
    }
}

/// A refusal, in the shop's own words.
pub(super) fn no(status: StatusCode, why: &str) -> Response {
    json_of(status, &json!({ "why": why }))
}

pub(super) fn json_of(status: StatusCode, body: &Value) -> Response {
    (status, [(CONTENT_TYPE, "application/json")], body.to_string()).into_response()
}

/// The body, if it can be parsed.
pub(super) fn read<T: for<'de> Deserialize<'de>>(body: &[u8]) -> Result<T, Box<Response>> {
    serde_json::from_slice(body).map_err(|e| Box::new(no(StatusCode::UNPROCESSABLE_ENTITY, &e.to_string())))
}

pub(super) fn header<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

/// The user name and password of a request.
pub(super) fn basic(headers: &HeaderMap) -> Option<String> {
    let coded = header(headers, AUTHORIZATION.as_str())?.strip_prefix("Basic ")?;
    String::from_utf8(STANDARD.decode(coded).ok()?).ok()
}

/// An answer or its refusal: the caller sees no difference.
pub(super) fn told(answer: Answer) -> Response {
    answer.unwrap_or_else(|rejection| *rejection)
}

/// A count is written as a whole number if it is one.
pub(super) fn number(value: Decimal) -> Value {
    let value = value.normalize();
    i64::try_from(value)
        .ok()
        .filter(|_| value.is_integer())
        .map_or_else(|| json!(value.to_string()), |n| json!(n))
}

/// When an order changed, as the shop reports it.
pub(super) fn stamp(millis: i64, faults: &Faults) -> i64 {
    if faults.whole_seconds { millis - millis.rem_euclid(1000) } else { millis }
}

/// Adds the shop's own time to each answer.
async fn dated(State(desk): State<Desk>, request: Request, next: Next) -> Response {
    let mut answer = next.run(request).await;
    if let Ok(date) = http_date(desk.book().now()).parse() {
        answer.headers_mut().insert(DATE, date);
    }
    answer
}

/// One of our own shops while it runs. It stops when this is dropped.
#[derive(Debug)]
pub(crate) struct Foreign {
    address: SocketAddr,
    desk: Desk,
    /// The path after the host in its address.
    below: &'static str,
    task: JoinHandle<()>,
    hooks: HooksTo,
}

/// Where webhooks go, and the key that signs them.
#[derive(Debug)]
struct HooksTo {
    host: String,
    path: String,
    secret: String,
}

impl HooksTo {
    fn new(address: &str, secret: &str) -> Self {
        let bare = address.trim_start_matches("http://");
        let (host, path) = bare.split_once('/').unwrap_or((bare, ""));
        Self { host: host.to_owned(), path: format!("/{path}"), secret: secret.to_owned() }
    }

    async fn send(&self, body: String) -> bool {
        // HMAC accepts keys of any length.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(self.secret.as_bytes()) else { return false };
        mac.update(body.as_bytes());
        let seal = mac
            .finalize()
            .into_bytes()
            .iter()
            .fold(String::new(), |seal, byte| seal + &format!("{byte:02x}"));
        deliver((&self.host, &self.path), &[("x-seal", seal)], body).await
    }
}

impl Drop for Foreign {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Foreign {
    pub(crate) async fn open(
        plan: &Plan,
        clock: ShopClock,
        faults: Faults,
        secret: &str,
        (hooks_to, hook_secret): (String, &str),
    ) -> Result<Self, StormError> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.doing("open a shop")?;
        let address = listener.local_addr().doing("open a shop")?;
        let desk = Desk(Arc::new(Inner {
            book: Mutex::new(Book::new(plan, clock, faults, plan.shape.hooks.then_some(plates::hook))),
            visits: Mutex::new(Visits::new(plan.seed)),
            came: Mutex::default(),
            passes: Mutex::default(),
            habits: plan.habits,
            broken: plan.broken,
            secret: secret.to_owned(),
            seed: plan.seed,
        }));
        let (below, routes) = match plan.shop {
            ShopKind::Lots => ("/v", lots::routes()),
            ShopKind::Plates => ("", plates::routes()),
            ShopKind::Rooms | ShopKind::Pretend => ("/desk", rooms::routes()),
        };
        let routes = if below.is_empty() { routes } else { Router::new().nest(below, routes) };
        let routes = routes
            .layer(from_fn_with_state(desk.clone(), dated))
            .layer(from_fn_with_state(desk.clone(), pass::<Desk>))
            .with_state(desk.clone())
            .into_make_service_with_connect_info::<Breaker>();
        let task = tokio::spawn(async move {
            // It ends with its task.
            let _ = axum::serve(Door(listener), routes).await;
        });
        Ok(Self { address, desk, below, task, hooks: HooksTo::new(&hooks_to, hook_secret) })
    }

    pub(crate) fn base(&self) -> String {
        format!("http://{}{}", self.address, self.below)
    }

    /// Sends the webhooks that are due.
    pub(crate) async fn send_hooks(&self) {
        let due = self.change(|book| {
            let (now, faults) = (book.true_now(), book.faults.clone());
            book.outbound.take_due(now, &faults)
        });
        for hook in due {
            if self.hooks.send(hook.body.clone()).await {
                self.change(|book| book.counts.hooks += 1);
            } else {
                self.change(|book| {
                    let now = book.true_now();
                    book.outbound.try_later(hook, now);
                });
            }
        }
    }

    pub(crate) fn change<A>(&self, change: impl FnOnce(&mut Book) -> A) -> A {
        change(&mut self.desk.book())
    }

    pub(crate) fn goods(&self) -> Vec<Shown> {
        let shown = |listing: &super::stock::Listing| Shown {
            sku: listing.sku.clone(),
            have: listing.have(),
            is_own: listing.is_own(),
        };
        let mut goods: Vec<Shown> = self.desk.book().stock.all().map(shown).collect();
        goods.sort_by(|a, b| a.sku.cmp(&b.sku));
        goods
    }
}
