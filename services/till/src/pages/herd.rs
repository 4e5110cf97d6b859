//! The room Herd.

use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::request::caller::{Access, Caller};
use crate::request::route::Route;
use askama::Template;
use axum::extract::State;

pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/herd", Access::With(Room::Herd.permission()), room)]
}

/// The room, which is still empty.
#[derive(Template)]
#[template(path = "herd/room.html")]
pub(crate) struct Page {
    frame: Frame,
}

/// GET /herd
pub(crate) async fn room(State(app): State<App>, caller: Caller) -> HtmlPage<Page> {
    HtmlPage(Page { frame: Frame::new(&app, &caller, Room::Herd) })
}
