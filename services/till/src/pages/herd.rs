//! The room Herd.

use crate::app::App;
use crate::caller::{Caller, Needs};
use crate::pages::frame::{Frame, Paper, Room};
use crate::routes::Route;
use askama::Template;
use axum::extract::State;

/// Its routes.
pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/herd", Needs::One(Room::Herd.asks()), room)]
}

/// The room, before anything stands in it.
#[derive(Template)]
#[template(path = "herd/room.html")]
pub(crate) struct Page {
    frame: Frame,
}

/// GET /herd
pub(crate) async fn room(State(app): State<App>, caller: Caller) -> Paper<Page> {
    Paper(Page { frame: Frame::new(&app, &caller, Room::Herd) })
}
