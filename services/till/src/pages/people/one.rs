//! One person: their role, password and PIN, and ending their access.

use super::{Choice, PATH, choices, password, pin, role};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::ids::PersonId;
use domain::people::Role;
use ledger::people::{EditPerson, EndPerson, PersonView, PinChange, TurnOffSecondFactor};

#[derive(Template)]
#[template(path = "people/one.html")]
pub(super) struct Page {
    frame: Frame,
    id: String,
    name: String,
    is: &'static str,
    pin: &'static str,
    has_second_factor: bool,
    is_owner: bool,
    roles: Vec<Choice>,
    faults: Faults,
}

async fn person(app: &App, id: PersonId) -> Result<PersonView, Problem> {
    let found = app.ledger.people().await?.into_iter().find(|person| person.id == id);
    found.ok_or_else(|| Problem::new(Kind::NoSuch, format!("there is no person {id}")))
}

async fn page(app: &App, caller: &Caller, id: PersonId, faults: Faults) -> Result<HtmlPage<Page>, Problem> {
    let person = person(app, id).await?;
    Ok(HtmlPage(Page {
        frame: Frame::new(app, caller, Room::Settings),
        id: id.to_string(),
        is: person.role.words(),
        pin: super::pin_words(&person),
        has_second_factor: person.has_second_factor,
        is_owner: person.role == Role::Owner,
        roles: choices(person.role.code()),
        name: person.name,
        faults,
    }))
}

/// GET /settings/people/{id}
pub(super) async fn room(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<PersonId>,
) -> Result<HtmlPage<Page>, Problem> {
    page(&app, &caller, id, Faults::default()).await
}

fn change(person: PersonId, form: &Form) -> EditPerson {
    let who = form.caller.who.clone();
    EditPerson { person, role: None, password: None, pin: None, keep: None, who }
}

/// Redirects to the page after a change, or shows it again with the faults.
async fn answer(
    app: &App,
    form: &Form,
    id: PersonId,
    done: Result<(), Problem>,
) -> Result<Response, Problem> {
    match done {
        Ok(()) => Ok(see_other(&format!("{PATH}/{id}"))),
        Err(problem) => {
            let page = page(app, &form.caller, id, Faults::of(problem)?).await?;
            Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
        }
    }
}

/// POST /settings/people/{id}/role
pub(super) async fn set_role(
    State(app): State<App>,
    PathParam(id): PathParam<PersonId>,
    form: Form,
) -> Result<Response, Problem> {
    let done = match role(&form) {
        Ok(role) => {
            let change = EditPerson { role: Some(role), ..change(id, &form) };
            app.run(&form.key, &change).await.map(|_| ())
        }
        Err(problem) => Err(problem),
    };
    answer(&app, &form, id, done).await
}

/// POST /settings/people/{id}/password
pub(super) async fn set_password(
    State(app): State<App>,
    PathParam(id): PathParam<PersonId>,
    form: Form,
) -> Result<Response, Problem> {
    let done = new_password(&app, &form, id).await;
    answer(&app, &form, id, done).await
}

async fn new_password(app: &App, form: &Form, id: PersonId) -> Result<(), Problem> {
    let password = password(app, form, &person(app, id).await?.name).await?;
    app.run_unkept(&EditPerson { password: Some(password), ..change(id, form) }).await
}

/// POST /settings/people/{id}/pin
pub(super) async fn set_pin(
    State(app): State<App>,
    PathParam(id): PathParam<PersonId>,
    form: Form,
) -> Result<Response, Problem> {
    let done = new_pin(&app, &form, id).await;
    answer(&app, &form, id, done).await
}

async fn new_pin(app: &App, form: &Form, id: PersonId) -> Result<(), Problem> {
    let pin = pin(app, form, person(app, id).await?.role).await?;
    let pin = Some(pin.map_or(PinChange::Gone, PinChange::New));
    app.run_unkept(&EditPerson { pin, ..change(id, form) }).await
}

/// POST /settings/people/{id}/second-factor: lets somebody who lost their phone and codes sign in.
pub(super) async fn reset_second_factor(
    State(app): State<App>,
    PathParam(id): PathParam<PersonId>,
    form: Form,
) -> Result<Response, Problem> {
    let reset = TurnOffSecondFactor { person: id, who: form.caller.who.clone() };
    let done = app.run(&form.key, &reset).await.map(|_| ());
    answer(&app, &form, id, done).await
}

/// POST /settings/people/{id}/end
pub(super) async fn end(
    State(app): State<App>,
    PathParam(id): PathParam<PersonId>,
    form: Form,
) -> Result<Response, Problem> {
    let ended = app.run(&form.key, &EndPerson { person: id, who: form.caller.who.clone() }).await;
    match ended {
        Ok(_) => Ok(see_other(PATH)),
        Err(problem) => answer(&app, &form, id, Err(problem)).await,
    }
}
