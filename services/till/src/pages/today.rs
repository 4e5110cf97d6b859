//! The room Today.

use crate::app::App;
use crate::caller::{Caller, Needs};
use crate::pages::frame::{Frame, Paper, Room};
use crate::routes::Route;
use askama::Template;
use axum::extract::State;

/// Its routes.
pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/today", Needs::One(Room::Today.asks()), room)]
}

/// The room, before anything stands in it.
#[derive(Template)]
#[template(path = "today/room.html")]
pub(crate) struct Page {
    frame: Frame,
}

/// GET /today
pub(crate) async fn room(State(app): State<App>, caller: Caller) -> Paper<Page> {
    Paper(Page { frame: Frame::new(&app, &caller, Room::Today) })
}

/// GET /
pub(crate) async fn first() -> axum::response::Response {
    crate::pages::frame::go(Room::Today.path())
}
