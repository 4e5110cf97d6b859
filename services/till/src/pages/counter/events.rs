//! GET /counter/{basket}/events

use crate::app::App;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use crate::traffic::watchers::{Watchers, Watching};
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use domain::ids::BasketId;
use futures_core::Stream;
use serde::Deserialize;
use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until};

/// How often the slip is checked: faster than a hand reaches for a piece. Polling also finds what other
/// processes with the same shop have done.
const LOOK_EVERY: Duration = Duration::from_millis(400);
/// How often a silent stream sends a sign of life.
const STILL_HERE: Duration = Duration::from_secs(15);
/// The longest life of one stream; the browser reconnects by itself, and somebody who lost access since is then
/// refused.
const LONGEST: Duration = Duration::from_mins(10);
/// Where a browser that reconnects says what it saw last.
const SEEN: &str = "last-event-id";

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    seen: String,
}

/// Sends `changed` whenever the slip, or an item on it, differs from what the page has seen.
pub(crate) async fn events(
    State(app): State<App>,
    caller: Caller,
    PathParam(basket): PathParam<BasketId>,
    QueryParam(query): QueryParam<Query>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let place = Watchers::take(&app.watchers, &caller.who)?;
    // An unknown slip is answered now, not in the stream.
    app.ledger.basket_pulse(basket).await?;
    let last = headers.get(SEEN).and_then(|value| value.to_str().ok()).unwrap_or(&query.seen).to_owned();
    let (out, inbox) = mpsc::channel(1);
    tokio::spawn(watch(app, basket, last, out, place));
    Ok(Sse::new(Line(inbox)).keep_alive(KeepAlive::new().interval(STILL_HERE)).into_response())
}

/// Checks until the page is gone, the slip is finished, or the program stops.
async fn watch(app: App, basket: BasketId, mut seen: String, out: mpsc::Sender<Event>, _place: Watching) {
    let mut ending = app.ending.subscribe();
    let mut ticks = interval(LOOK_EVERY);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let end = Instant::now() + LONGEST;
    loop {
        tokio::select! {
            _ = ticks.tick() => {}
            () = out.closed() => return,
            _ = ending.wait_for(|is_over| *is_over) => return,
            () = sleep_until(end) => return,
        }
        let pulse = match app.ledger.basket_pulse(basket).await {
            Ok(pulse) => pulse,
            Err(failure) => {
                tracing::debug!(%failure, "a slip could not be looked at; the page asks again");
                return;
            }
        };
        let now = pulse.to_string();
        if now == seen {
            continue;
        }
        if out.send(Event::default().event("changed").id(&now).data(&now)).await.is_err() || !pulse.is_open {
            return;
        }
        seen = now;
    }
}

struct Line(mpsc::Receiver<Event>);

impl Stream for Line {
    type Item = Result<Event, Infallible>;

    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        self.0.poll_recv(context).map(|event| event.map(Ok))
    }
}
