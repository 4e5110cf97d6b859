//! Creating a token, which is shown once, and ending one.

use super::made::Made;
use super::{PATH, Undone, redisplay, role};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::{Kind, Problem};
use crate::traffic::visit::Visit;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use ledger::people::{AddToken, EndToken};

const DAY_MS: i64 = 24 * 60 * 60 * 1000;
/// The longest life of a token: ten years, for a device that is mounted on a wall.
const MAX_DAYS: i64 = 3650;

/// POST /settings/tokens
pub(super) async fn make(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    form: Form,
) -> Result<Response, Problem> {
    match made(&app, &form).await {
        Ok(token) => {
            let frame = Frame::new(&app, &form.caller, Room::Settings);
            Ok(HtmlPage(Made { frame, name: form.text("name").to_owned(), token }).into_response())
        }
        Err(problem) => {
            let undone = Undone::Token(Faults::of(problem)?);
            redisplay(&app, &visit, &headers, &form, undone).await
        }
    }
}

async fn made(app: &App, form: &Form) -> Result<String, Problem> {
    let days = form.text("days").parse::<i64>().ok().filter(|days| (1..=MAX_DAYS).contains(days));
    let days =
        days.ok_or_else(|| Problem::invalid("#/days", format!("enter a number from 1 to {MAX_DAYS}")))?;
    let Some(keys) = &app.keys else {
        return Err(Problem::new(Kind::NotAllowed, "this server was started without --keys"));
    };
    let now = app.ledger.now();
    let new = AddToken {
        jti: crate::security::random::text(),
        name: form.text("name").to_owned(),
        role: role(form)?,
        until: now.plus_millis(days * DAY_MS),
        who: form.caller.who.clone(),
    };
    let token = keys.sign(&new.jti, &new.name, now, new.until);
    let token =
        token.map_err(|e| Problem::new(Kind::StorageError, "the token could not be signed").because(&e))?;
    app.run_unkept(&new).await?;
    Ok(token)
}

/// POST /settings/tokens/end
pub(super) async fn end(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let end = EndToken { name: form.text("name").to_owned(), who: form.caller.who.clone() };
    app.run(&form.key, &end).await?;
    Ok(see_other(PATH))
}
