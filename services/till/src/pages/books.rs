//! The room Books.

use crate::app::App;
use crate::caller::{Caller, Needs};
use crate::pages::frame::{Frame, Paper, Room};
use crate::routes::Route;
use askama::Template;
use axum::extract::State;

/// Its routes.
pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/books", Needs::One(Room::Books.asks()), room)]
}

/// The room, before anything stands in it.
#[derive(Template)]
#[template(path = "books/room.html")]
pub(crate) struct Page {
    frame: Frame,
}

/// GET /books
pub(crate) async fn room(State(app): State<App>, caller: Caller) -> Paper<Page> {
    Paper(Page { frame: Frame::new(&app, &caller, Room::Books) })
}
