//! The room Online: what is not listed yet, what is, differences, orders, layouts, feeds.

mod choose;
mod compare;
pub(crate) mod connections;
mod feeds;
mod layout;
mod layouts;
mod listed;
mod order;
mod order_files;
mod order_upload;
mod orders;
mod pieces;
mod put_out;
mod texts;
mod upload;
mod weak;
mod wording;

use crate::app::App;
use crate::feed_adapter::FEED;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::Count;
use crate::problem::{Kind, Problem};
use crate::request::caller::{Access, Caller};
use crate::request::query::QueryParam;
use crate::request::route::Route;
use askama::Template;
use axum::extract::State;
use domain::ids::ItemId;
use pieces::Piece;
use serde::Deserialize;

/// How many orders that need attention are read: more are shown as “so many and more”.
const WAITING_LOOKED_AT: usize = 50;
/// How far listings and changes are counted: a higher number would mean nothing more to people.
pub(crate) const MOST_COUNTED: usize = 1000;
const FAILED_LOOKED_AT: usize = 50;

pub(crate) fn routes() -> Vec<Route> {
    let list = Access::With(Room::Online.permission());
    let mut routes = vec![
        Route::get("/online", list, room),
        Route::get("/online/texts", list, texts::show),
        Route::post("/online/texts", list, texts::keep),
        Route::post("/online/put-out", list, put_out::put_out),
        Route::get("/online/listed", list, listed::show),
        Route::get("/online/choose", list, choose::show),
        Route::post("/online/choose", list, choose::list),
        Route::get("/online/compare", list, compare::show),
        Route::post("/online/compare", list, compare::compare),
        Route::get("/online/orders", list, orders::show),
        Route::get("/online/orders/{id}", list, order::show),
        Route::post("/online/orders/{id}/status", list, order::settle_status),
        Route::post("/online/orders/{id}/lines/{line}", list, order::decide),
        Route::get("/online/order-files", list, order_files::show),
        Route::post("/online/order-files", list, order_files::check),
        Route::post("/online/order-files/take", list, order_files::take),
        Route::get("/online/order-files/rejects", list, order_files::rejects),
        Route::get("/online/layouts", list, layouts::show),
        Route::post("/online/layouts", list, layout::keep),
        Route::get("/online/layouts/one", list, layout::show),
        Route::post("/online/layouts/preview", list, layout::preview),
        Route::get("/online/feeds", list, feeds::show),
        Route::post("/online/feeds/seen", list, feeds::seen),
    ];
    routes.extend(connections::routes());
    routes
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RoomQuery {
    cursor: Option<String>,
}

/// The room: what to do next, and what is not listed yet.
#[derive(Template)]
#[template(path = "online/room.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    pieces: Vec<Piece>,
    next: Option<String>,
    weak: usize,
    waiting: Count,
    failed: Count,
    listed: Count,
    changed: Count,
    out: put_out::Ways,
}

/// GET /online
pub(crate) async fn room(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<RoomQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(read(&app, &caller, &asked).await?))
}

async fn read(app: &App, caller: &Caller, asked: &RoomQuery) -> Result<Page, Problem> {
    let feed = app.ledger.connection(FEED).await?;
    let before = before(asked.cursor.as_deref())?;
    let mut items = app.ledger.unlisted(feed, before, texts::AT_ONCE + 1).await?;
    let next = (items.len() > texts::AT_ONCE).then(|| {
        items.truncate(texts::AT_ONCE);
        items.last().map(|item| item.id.to_string()).unwrap_or_default()
    });
    let pieces = pieces::of(app, &items).await?;
    let orders = app.ledger.orders(None, true, WAITING_LOOKED_AT + 1).await?;
    let failed = app.ledger.feed_troubles(true, FAILED_LOOKED_AT + 1).await?;
    let counts = app.ledger.offer_counts(MOST_COUNTED + 1).await?;
    let changed = app.ledger.waiting_count(feed, MOST_COUNTED + 1).await?;
    Ok(Page {
        frame: Frame::new(app, caller, Room::Online),
        lane: "new",
        weak: pieces.iter().filter(|piece| !piece.weak.is_empty()).count(),
        pieces,
        next,
        waiting: Count::of(orders.len(), WAITING_LOOKED_AT),
        failed: Count::of(failed.len(), FAILED_LOOKED_AT),
        listed: Count::of(counts.listed, MOST_COUNTED),
        changed: Count::of(changed, MOST_COUNTED),
        out: put_out::Ways::read(app).await?,
    })
}

/// The cursor of pages that list items.
fn before(cursor: Option<&str>) -> Result<Option<ItemId>, Problem> {
    let wrong =
        |_| Problem::invalid_parameter("cursor", "this page link is out of date; open the list again");
    cursor.map(|text| text.parse().map_err(wrong)).transpose()
}

/// The adapter, or an error if the program was built without one.
fn adapter(app: &App) -> Result<&std::sync::Arc<dyn crate::feed_adapter::FeedAdapter>, Problem> {
    let words = "feeds are not available on this server";
    app.feed_adapter.as_ref().ok_or_else(|| Problem::new(Kind::NotFound, words))
}

#[cfg(test)]
pub(crate) mod tests;
