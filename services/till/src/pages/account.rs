//! Your account: the password, which only somebody who knows the old one can change (OWASP ASVS 5.0.0, 6.2.3),
//! two-step sign-in, and where you are signed in.

mod second_factor;
mod sessions;

use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::{Access, Caller};
use crate::request::route::Route;
use crate::security::secrets::{Lane, check_password};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::people::Role;
use ledger::people::{By, CountTry, EditPerson, OpenSession, SecondFactor, TryOf};

const PATH: &str = "/account";

pub(crate) fn routes() -> Vec<Route> {
    vec![
        Route::get(PATH, Access::Authenticated, page),
        // It asks for the password itself.
        Route::post(PATH, Access::Password, change),
        Route::post("/account/second-factor", Access::Confirmed, second_factor::offer),
        Route::post("/account/second-factor/on", Access::Confirmed, second_factor::turn_on),
        Route::post("/account/second-factor/off", Access::Confirmed, second_factor::turn_off),
        Route::post("/account/recovery-codes", Access::Confirmed, second_factor::renew_codes),
        Route::post("/account/sessions/{id}/end", Access::Authenticated, sessions::end),
        Route::post("/account/sessions/end", Access::Authenticated, sessions::end_all),
    ]
}

struct SessionRow {
    id: String,
    browser: String,
    how: String,
    address: String,
    made: String,
    seen: String,
    is_this: bool,
}

#[derive(Template)]
#[template(path = "account/room.html")]
#[expect(clippy::struct_excessive_bools, reason = "each is a question that the template asks")]
pub(crate) struct Page {
    frame: Frame,
    role: &'static str,
    is_owner: bool,
    is_program: bool,
    is_by_pin: bool,
    factor: Option<SecondFactor>,
    sessions: Vec<SessionRow>,
    faults: Faults,
    is_done: bool,
}

impl Page {
    async fn new(app: &App, caller: &Caller) -> Result<Self, Problem> {
        let (mut factor, mut sessions) = (None, Vec::new());
        if let Some(person) = caller.person {
            factor = app.ledger.second_factor(person.id).await?.filter(|factor| factor.is_on);
            let open = app.ledger.sessions(person.id).await?;
            sessions = open.into_iter().map(|s| row(app, s, person.session)).collect();
        }
        Ok(Self {
            frame: Frame::beside(app, caller),
            role: caller.role.words(),
            is_owner: caller.role == Role::Owner,
            is_program: caller.person.is_none(),
            is_by_pin: caller.is_by_pin(),
            factor,
            sessions,
            faults: Faults::default(),
            is_done: false,
        })
    }
}

fn row(app: &App, session: OpenSession, this: domain::ids::SessionId) -> SessionRow {
    let zone = &app.ledger.shop().zone;
    let by = match session.by {
        By::Password => "password",
        By::Pin => "PIN",
    };
    let how = session.device.map_or_else(|| by.to_owned(), |device| format!("{by}, {device}"));
    let browser = if session.browser.is_empty() { "Unknown browser".to_owned() } else { session.browser };
    SessionRow {
        id: session.id.to_string(),
        browser,
        how,
        address: session.address,
        made: shown::moment(zone, session.made),
        seen: shown::moment(zone, session.seen),
        is_this: session.id == this,
    }
}

/// GET /account
pub(crate) async fn page(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::new(&app, &caller).await?))
}

/// POST /account
pub(crate) async fn change(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let faults = set_password(&app, &form).await?;
    let page = Page::new(&app, &form.caller).await?;
    match faults {
        None => Ok(HtmlPage(Page { is_done: true, ..page }).into_response()),
        Some(faults) => {
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(Page { faults, ..page })).into_response())
        }
    }
}

/// Sets the password; returns the faults if it was not set.
async fn set_password(app: &App, form: &Form) -> Result<Option<Faults>, Problem> {
    let who = form.caller.who.clone();
    let person = form.caller.person()?;
    app.ledger.execute(None, &CountTry { of: TryOf::confirm(person.session) }).await?;
    let known = app.ledger.password_of(&who).await?.filter(|(id, _)| *id == person.id);
    let old = app.secrets.check(form.raw("old"), known.as_ref().map(|(_, phc)| phc), Lane::Known).await?;
    if !old.right {
        return Ok(Some(Faults::one("old", "the current password is incorrect")));
    }
    if let Err(weak) = check_password(form.raw("new"), &who) {
        return Ok(Some(Faults::one("new", weak.to_string())));
    }
    let password = Some(app.secrets.hash(form.raw("new")).await?);
    let keep = Some(person.session);
    let edit = EditPerson { person: person.id, role: None, password, pin: None, keep, who };
    app.run_unkept(&edit).await?;
    Ok(None)
}

#[cfg(test)]
mod tests;
