//! The room Settings: the shop, its tenders, its channels and their fees, its price rules, a backup, and what
//! the program cannot judge.

mod backup;
mod channels;
mod counter;
mod limits;
mod receipts;
mod room;
mod shop;

use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Access;
use crate::request::route::Route;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ledger::keeping::ChangeShop;
use room::Page;
use std::collections::HashMap;

pub(crate) fn routes() -> Vec<Route> {
    let access = Access::With(Room::Settings.permission());
    vec![
        Route::get("/settings", access, room::page),
        Route::post("/settings/shop", access, shop::keep),
        Route::post("/settings/counter", access, counter::keep),
        Route::post("/settings/receipts", access, receipts::keep),
        Route::post("/settings/channels", access, channels::keep),
        Route::post("/settings/backup", access, backup::download),
        Route::get("/settings/limits", access, limits::page),
        Route::post("/settings/limits/{role}", access, limits::keep),
    ]
}

/// Saves what differs from the settings, all of it or none. Returns the form's faults if it is refused.
async fn change(app: &App, form: &Form, wanted: Vec<(String, String)>) -> Result<Option<Faults>, Problem> {
    let now: HashMap<String, String> = app.ledger.refresh_shop().await?.rows().into_iter().collect();
    let differs = |(key, value): &(String, String)| now.get(key).map_or("", String::as_str) != value;
    let settings: Vec<_> = wanted.into_iter().filter(differs).collect();
    if settings.is_empty() {
        return Ok(None);
    }
    match app.run(&form.key, &ChangeShop { settings, who: form.caller.who.clone() }).await {
        Ok(_) => Ok(None),
        Err(problem) => Faults::of(problem).map(Some),
    }
}

/// The answer to a saved form: the room again, with a message.
fn kept(section: &str) -> Response {
    see_other(&format!("/settings?kept={section}#{section}"))
}

/// The answer to a refused form: the room with what was typed.
fn refused(page: Page) -> Response {
    (StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response()
}
