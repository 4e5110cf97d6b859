//! The door: coming in by name and password, or on an enrolled device by PIN, and leaving.
//!
//! A try is counted before its password is looked at; whoever has to wait is told so whatever they
//! typed. A wrong name and a wrong password are answered alike, in words, status and time.

use crate::app::App;
use crate::caller::Needs;
use crate::cookies::Cookie;
use crate::door::Visit;
use crate::pages::form::{Faults, Form, read_outside};
use crate::pages::frame::{Frame, Paper, go};
use crate::problem::{BEARER, Kind, Problem};
use crate::query::Asking;
use crate::routes::Route;
use askama::Template;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use domain::ids::PersonId;
use ledger::{By, CountTry, DeviceView, Failure, Phc, Refusal, SecretHash, SignIn, SignOut, TryOf};
use serde::Deserialize;

/// How long the cookie beside the form lasts: a page left open over night still opens.
const BEFORE_SECONDS: i64 = 24 * 60 * 60;
/// The longest address to go on to.
const MAX_THEN: usize = 500;

/// Its routes.
pub(crate) fn routes() -> Vec<Route> {
    vec![
        Route::get("/enter", Needs::Nobody, door),
        Route::post("/enter", Needs::Nobody, come_in),
        Route::post("/leave", Needs::Somebody, leave),
    ]
}

#[derive(Template)]
#[template(path = "enter/room.html")]
struct Page {
    frame: Frame,
    faults: Faults,
    /// Where to go on to.
    then: String,
    /// The name as it was typed.
    name: String,
    /// What the device is called, if it is enrolled.
    device: String,
    hands: Vec<Hand>,
}

/// Somebody who may come in by PIN.
struct Hand {
    id: String,
    name: String,
    is_chosen: bool,
}

/// Where to go on to.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct Asked {
    #[serde(default)]
    then: String,
}

/// A page of this shop: its path alone, never another site's address.
fn own_path(then: &str) -> &str {
    let is_own = then.starts_with('/')
        && !then.starts_with("//")
        && then.len() <= MAX_THEN
        && then.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
        && !["/enter", "/leave", "/begin"].iter().any(|door| then.starts_with(door));
    if is_own { then } else { "/" }
}

/// The enrolled device that a browser is.
pub(crate) async fn device_of(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
) -> Result<Option<DeviceView>, Problem> {
    match Cookie::Device.read(visit.via, headers) {
        Some(secret) => Ok(app.ledger.device(&SecretHash::of(&secret)).await?),
        None => Ok(None),
    }
}

async fn hands(app: &App, chosen: &str) -> Result<Vec<Hand>, Problem> {
    let people = app.ledger.people().await?.into_iter().filter(|person| person.has_pin);
    let hand = |person: ledger::PersonView| {
        let id = person.id.to_string();
        Hand { is_chosen: id == chosen, id, name: person.name }
    };
    Ok(people.map(hand).collect())
}

impl Page {
    async fn new(app: &App, token: &str, device: Option<&DeviceView>, chosen: &str) -> Result<Self, Problem> {
        let hands = if device.is_some() { hands(app, chosen).await? } else { Vec::new() };
        Ok(Self {
            frame: Frame::outside(app, token),
            faults: Faults::default(),
            then: String::new(),
            name: String::new(),
            device: device.map(|d| d.name.clone()).unwrap_or_default(),
            hands,
        })
    }
}

/// GET /enter
pub(crate) async fn door(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    Asking(asked): Asking<Asked>,
) -> Result<Response, Problem> {
    if !app.ledger.has_people().await? {
        return Ok(go("/begin"));
    }
    let token = before(&visit, &headers);
    let device = device_of(&app, &visit, &headers).await?;
    let mut page = Page::new(&app, &token, device.as_ref(), "").await?;
    own_path(&asked.then).clone_into(&mut page.then);
    Ok(with_before(&visit, &token, Paper(page).into_response()))
}

/// The token of the form of a browser that is not in yet.
pub(crate) fn before(visit: &Visit, headers: &HeaderMap) -> String {
    Cookie::Before.read(visit.via, headers).unwrap_or_else(crate::chance::text)
}

/// Sets the cookie beside the form.
pub(crate) fn with_before(visit: &Visit, token: &str, mut response: Response) -> Response {
    let cookie = Cookie::Before.set(visit.via, token, BEFORE_SECONDS);
    response.headers_mut().append(header::SET_COOKIE, cookie);
    response
}

/// What somebody typed, and what it is checked against.
struct Entry {
    by: By,
    secret: String,
    known: Option<(PersonId, Phc)>,
}

/// The name that a try is counted by.
fn account(form: &Form) -> String {
    if form.has("pin") { format!("PIN of {}", form.text("person")) } else { form.text("name").to_owned() }
}

async fn entry(app: &App, form: &Form, device: Option<&DeviceView>) -> Result<Entry, Problem> {
    if !form.has("pin") {
        let known = app.ledger.password_of(form.text("name")).await?;
        return Ok(Entry { by: By::Password, secret: form.raw("password").to_owned(), known });
    }
    let person = form.text("person").parse::<PersonId>().ok().filter(|_| device.is_some());
    let known = match person {
        Some(person) => app.ledger.pin_of(person).await?.map(|pin| (person, pin)),
        None => None,
    };
    Ok(Entry { by: By::Pin, secret: form.text("pin").to_owned(), known })
}

/// POST /enter
pub(crate) async fn come_in(
    State(app): State<App>,
    visit: Visit,
    request: Request,
) -> Result<Response, Problem> {
    let headers = request.headers().clone();
    let token = Cookie::Before.read(visit.via, &headers).unwrap_or_default();
    let form = read_outside(request, &token).await?;
    let device = device_of(&app, &visit, &headers).await?;
    let tried =
        TryOf::new(&account(&form), device.as_ref().map(|d| d.id), &visit.address.network().to_string());
    if let Err(failure) = app.ledger.execute(None, &CountTry { of: tried.clone() }).await {
        return too_often(&app, &form, device.as_ref(), failure).await;
    }
    let entry = entry(&app, &form, device.as_ref()).await?;
    let checked = app.secrets.check(&entry.secret, entry.known.as_ref().map(|(_, phc)| phc)).await?;
    let known = entry.known.filter(|_| checked.right);
    let Some((person, phc)) = known else {
        return wrong(&app, &visit, &form, device.as_ref(), entry.by).await;
    };
    let device = device.map(|d| d.id);
    let sign_in = new_session(person, entry.by, phc, tried);
    let sign_in = SignIn { stronger: checked.stronger, device, ..sign_in };
    let_in(&app, &visit, &headers, sign_in, own_path(form.text("then"))).await
}

/// Signing in a person whose secret was right; [`let_in`] fills in the session.
pub(crate) fn new_session(person: PersonId, by: By, checked: Phc, tried: TryOf) -> SignIn {
    let nothing = SecretHash::of("");
    let form_token = String::new();
    SignIn {
        person,
        by,
        checked,
        stronger: None,
        session: nothing,
        form_token,
        device: None,
        before: None,
        tried,
    }
}

/// Begins a new session, ends the one that the browser had, and goes on.
pub(crate) async fn let_in(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    sign_in: SignIn,
    then: &str,
) -> Result<Response, Problem> {
    let cookie = crate::chance::text();
    let sign_in = SignIn {
        session: SecretHash::of(&cookie),
        form_token: crate::chance::text(),
        before: Cookie::Session.read(visit.via, headers).map(|old| SecretHash::of(&old)),
        ..sign_in
    };
    app.run_unkept(&sign_in).await?;
    tracing::info!(person = %sign_in.person, by = ?sign_in.by, from = %visit.address, "somebody signed in");
    let mut response = go(then);
    let seconds = sign_in.by.lasts_ms() / 1000;
    for cookie in [Cookie::Session.set(visit.via, &cookie, seconds), Cookie::Before.unset(visit.via)] {
        response.headers_mut().append(header::SET_COOKIE, cookie);
    }
    Ok(response)
}

async fn again(
    app: &App,
    form: &Form,
    device: Option<&DeviceView>,
    faults: Faults,
) -> Result<Paper<Page>, Problem> {
    let page = Page::new(app, &form.caller.form_token, device, form.text("person")).await?;
    let then = own_path(form.text("then")).to_owned();
    Ok(Paper(Page { faults, then, name: form.text("name").to_owned(), ..page }))
}

/// Wrong: of which of the two nothing is said.
async fn wrong(
    app: &App,
    visit: &Visit,
    form: &Form,
    device: Option<&DeviceView>,
    by: By,
) -> Result<Response, Problem> {
    // Not the name: now and then it is the password.
    tracing::warn!(from = %visit.address, ?by, "a try to sign in went wrong");
    let words = match by {
        By::Password => "the name or the password is not right",
        By::Pin => "the PIN is not right",
    };
    let page = again(app, form, device, Faults::one("", words)).await?;
    Ok((StatusCode::UNAUTHORIZED, [(header::WWW_AUTHENTICATE, BEARER)], page).into_response())
}

async fn too_often(
    app: &App,
    form: &Form,
    device: Option<&DeviceView>,
    failure: Failure,
) -> Result<Response, Problem> {
    let seconds = match failure.refusal() {
        Some(Refusal::TooOften { seconds }) => *seconds,
        _ => return Err(failure.into()),
    };
    let problem = Problem::from(failure);
    let page = again(app, form, device, Faults::of(problem)?).await?;
    let wait = [(header::RETRY_AFTER, HeaderValue::from(seconds))];
    Ok((Kind::TooOften.status(), wait, page).into_response())
}

/// POST /leave
pub(crate) async fn leave(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    _: Form,
) -> Result<Response, Problem> {
    if let Some(cookie) = Cookie::Session.read(visit.via, &headers) {
        app.run_unkept(&SignOut { session: SecretHash::of(&cookie) }).await?;
    }
    let mut response = go("/enter");
    response.headers_mut().append(header::SET_COOKIE, Cookie::Session.unset(visit.via));
    Ok(response)
}

#[cfg(test)]
pub(crate) mod tests;
