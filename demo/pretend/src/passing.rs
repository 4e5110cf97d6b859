//! The layer that every program's request passes, where it meets its faults. The other pretend shops use it
//! too.

use crate::faults::{Fault, Faults};
use crate::wire::Breaker;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE, RETRY_AFTER};
use axum::http::{HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::io;
use std::time::Duration;

/// Addresses whose requests are counted separately; those beyond share a count.
const MAX_ADDRESSES: usize = 300_000;
/// The largest answer that is held back to be cut or dripped: a page of orders is far smaller.
const MAX_HELD: usize = 8 * 1024 * 1024;
/// The size of the parts of a huge page.
const PART: usize = 64 * 1024;
const PAGE: &str = "<!doctype html><title>Back in a moment</title><p>The shop is being dusted.</p>";

/// Counts the requests to each address. What a request meets depends on the seed, its address and how often
/// that was asked before, and so not on who else is asking at the same time.
#[derive(Debug)]
pub struct Visits {
    seed: u64,
    seen: HashMap<String, u64>,
}

impl Visits {
    /// None yet.
    pub fn new(seed: u64) -> Self {
        Self { seed, seen: HashMap::new() }
    }

    /// What the next request to the address meets.
    pub fn fault(&mut self, faults: &Faults, address: &str) -> Option<Fault> {
        if faults.percent == 0 || faults.kinds.is_empty() {
            return None;
        }
        let shared = self.seen.len() >= MAX_ADDRESSES && !self.seen.contains_key(address);
        let visit = self.seen.entry(if shared { String::new() } else { address.to_owned() }).or_default();
        *visit += 1;
        let print = Sha256::digest(format!("{} {visit} {address}", self.seed));
        let seed = print.iter().take(8).fold(0, |seed, byte| (seed << 8) | u64::from(*byte));
        let mut dice = fastrand::Rng::with_seed(seed);
        if dice.u8(0..100) >= faults.percent {
            return None;
        }
        dice.choice(&faults.kinds).copied()
    }
}

/// A shop whose requests meet faults.
pub trait Faulty: Clone + Send + Sync + 'static {
    /// Counts a request to the address, and returns what it meets.
    fn meets(&self, address: &str) -> Option<Fault>;

    /// This many slow requests more, or fewer, are still to be acted on.
    fn slow(&self, more: i64);
}

/// Answers as the faults want it.
pub async fn pass<S: Faulty>(
    State(shop): State<S>,
    ConnectInfo(breaker): ConnectInfo<Breaker>,
    request: Request,
    next: Next,
) -> Response {
    let address = format!("{} {}", request.method(), request.uri().path());
    let Some(fault) = shop.meets(&address) else { return next.run(request).await };
    let broken = || {
        breaker.break_off();
        StatusCode::NO_CONTENT.into_response()
    };
    match fault {
        Fault::ResetBefore => broken(),
        Fault::ResetAfter => {
            next.run(request).await;
            broken()
        }
        Fault::Slow { millis } => late(&shop, request, next, millis).await,
        Fault::Status { code, retry_after, acts } => {
            if acts {
                next.run(request).await;
            }
            status(code, retry_after)
        }
        Fault::WrongType => {
            next.run(request).await;
            ([(CONTENT_TYPE, "text/html; charset=utf-8")], PAGE).into_response()
        }
        Fault::HugePage { bytes, acts } => {
            if acts {
                next.run(request).await;
            }
            huge(bytes)
        }
        Fault::CutBody => in_parts(next.run(request).await, None).await.unwrap_or_else(broken),
        Fault::Drip { millis } => {
            in_parts(next.run(request).await, Some(millis)).await.unwrap_or_else(broken)
        }
    }
}

/// Acts later, even if the sender has gone by then.
async fn late<S: Faulty>(shop: &S, request: Request, next: Next, millis: u64) -> Response {
    shop.slow(1);
    let shop = shop.clone();
    let acting = tokio::spawn(async move {
        tokio::time::sleep(Duration::from_millis(millis)).await;
        let answer = next.run(request).await;
        shop.slow(-1);
        answer
    });
    acting.await.unwrap_or_else(|_| StatusCode::INTERNAL_SERVER_ERROR.into_response())
}

fn status(code: u16, retry_after: Option<u32>) -> Response {
    let code = StatusCode::from_u16(code).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut answer = code.into_response();
    if let Some(seconds) = retry_after {
        answer.headers_mut().insert(RETRY_AFTER, HeaderValue::from(seconds));
    }
    answer
}

fn huge(bytes: usize) -> Response {
    let parts = stream::unfold(bytes, |left| async move {
        let now = left.min(PART);
        (now > 0).then(|| (Ok::<_, io::Error>(Bytes::from(vec![b'?'; now])), left - now))
    });
    let head = [(CONTENT_TYPE, "text/html; charset=utf-8")];
    (StatusCode::INTERNAL_SERVER_ERROR, head, Body::from_stream(parts)).into_response()
}

/// The answer cut in the middle or, with a pause, byte by byte; none if it has no body.
async fn in_parts(answer: Response, pause: Option<u64>) -> Option<Response> {
    let (mut head, body) = answer.into_parts();
    let whole = to_bytes(body, MAX_HELD).await.ok().filter(|whole| !whole.is_empty())?;
    head.headers.insert(CONTENT_LENGTH, HeaderValue::from(whole.len()));
    let body = match pause {
        None => {
            let half = whole.slice(..whole.len() / 2);
            let cut = io::Error::from(io::ErrorKind::UnexpectedEof);
            // The first half must be on its way before the end comes.
            Body::from_stream(stream::unfold(Some((half, cut)), |left| async move {
                match left {
                    Some((half, cut)) if !half.is_empty() => Some((Ok(half), Some((Bytes::new(), cut)))),
                    Some((_, cut)) => {
                        tokio::task::yield_now().await;
                        Some((Err(cut), None))
                    }
                    None => None,
                }
            }))
        }
        Some(millis) => Body::from_stream(stream::unfold((whole, 0), move |(whole, at)| async move {
            let byte = (at < whole.len()).then(|| whole.slice(at..=at))?;
            tokio::time::sleep(Duration::from_millis(millis)).await;
            Some((Ok::<_, io::Error>(byte), (whole, at + 1)))
        })),
    };
    Some(Response::from_parts(head, body))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_fall_the_same_way_whoever_else_asks() {
        let faults = Faults {
            percent: 40,
            kinds: vec![Fault::ResetBefore, Fault::CutBody, Fault::WrongType],
            ..Faults::default()
        };
        let met = |others: usize| -> Vec<Option<Fault>> {
            let mut visits = Visits::new(9);
            (0..200)
                .map(|_| {
                    for other in 0..others {
                        visits.fault(&faults, &format!("PUT /intake/{other}"));
                    }
                    visits.fault(&faults, "PUT /intake/A")
                })
                .collect()
        };
        let alone = met(0);
        assert_eq!(alone, met(3));
        let faulty = alone.iter().flatten().count();
        assert!((50..110).contains(&faulty), "{faulty} of 200 at 40 in a hundred");
        for kind in &faults.kinds {
            assert!(alone.contains(&Some(*kind)), "{kind:?} never fell");
        }
        let none = Faults { percent: 0, ..faults };
        assert_eq!(Visits::new(9).fault(&none, "PUT /intake/A"), None);
    }
}
