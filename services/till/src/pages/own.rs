//! What is one's own: the password, changed by whoever knows the old one (OWASP ASVS 5.0.0, 6.2.3).

use crate::app::App;
use crate::caller::{Caller, Needs};
use crate::cookies::Cookie;
use crate::door::Visit;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, Paper};
use crate::problem::{Kind, Problem};
use crate::routes::Route;
use crate::secrets::check_password;
use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use ledger::{CountTry, EditPerson, SecretHash, TryOf};

/// Its routes.
pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/own", Needs::Somebody, room), Route::post("/own", Needs::Somebody, change)]
}

#[derive(Template)]
#[template(path = "own/room.html")]
pub(crate) struct Page {
    frame: Frame,
    role: &'static str,
    faults: Faults,
    is_done: bool,
}

impl Page {
    fn new(app: &App, caller: &Caller) -> Self {
        let frame = Frame::beside(app, caller);
        Self { frame, role: caller.role.words(), faults: Faults::default(), is_done: false }
    }
}

/// GET /own
pub(crate) async fn room(State(app): State<App>, caller: Caller) -> Paper<Page> {
    Paper(Page::new(&app, &caller))
}

/// POST /own
pub(crate) async fn change(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    form: Form,
) -> Result<Response, Problem> {
    let page = Page::new(&app, &form.caller);
    let done = match set_password(&app, &visit, &headers, &form).await? {
        None => return Ok(Paper(Page { is_done: true, ..page }).into_response()),
        Some(faults) => Paper(Page { faults, ..page }),
    };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, done).into_response())
}

/// Sets the password; what is wrong with it, if it was not done.
async fn set_password(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    form: &Form,
) -> Result<Option<Faults>, Problem> {
    let who = form.caller.who.clone();
    let keep = Cookie::Session.read(visit.via, headers).map(|cookie| SecretHash::of(&cookie));
    let Some(session) = (match &keep {
        Some(cookie) => app.ledger.session(cookie).await?,
        None => None,
    }) else {
        return Err(Problem::new(
            Kind::NotAllowed,
            "a program has no password; its token is made anew instead",
        ));
    };
    let tried = TryOf::new(&who, None, &visit.address.network().to_string());
    app.ledger.execute(None, &CountTry { of: tried }).await?;
    let known = app.ledger.password_of(&who).await?.filter(|(person, _)| *person == session.person);
    let old = app.secrets.check(form.raw("old"), known.as_ref().map(|(_, phc)| phc)).await?;
    if !old.right {
        return Ok(Some(Faults::one("old", "this is not your password of now")));
    }
    if let Err(weak) = check_password(form.raw("new"), &who) {
        return Ok(Some(Faults::one("new", weak.to_string())));
    }
    let password = Some(app.secrets.hash(form.raw("new")).await?);
    let edit = EditPerson { person: session.person, role: None, password, pin: None, keep, who };
    app.run_unkept(&edit).await?;
    Ok(None)
}
