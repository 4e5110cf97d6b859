//! Signing in by name and password, or by PIN on a registered device, and signing out.
//!
//! An attempt is counted before its password is checked; whoever has to wait is told so whatever they typed. A
//! wrong name and a wrong password get the same answer, in words, status and time.

mod code;
mod entry;
mod session;

use crate::app::App;
use crate::pages::form::{Faults, Form, OutsideForm};
use crate::pages::frame::{Frame, HtmlPage, see_other};
use crate::problem::{BEARER, Kind, Problem};
use crate::request::caller::Access;
use crate::request::cookies::Cookie;
use crate::request::query::QueryParam;
use crate::request::route::Route;
use crate::security::secrets::MOST_BYTES;
use crate::traffic::visit::Visit;
use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use domain::text::MAX_NAME_CHARS;
use entry::{Found, Origin, look};
use ledger::people::{By, DeviceView, MAX_PIN_FAILURES, SecretHash, SignOut};
use serde::Deserialize;

pub(crate) use crate::pages::second_step::check_code;
pub(crate) use session::{let_in, new_session};

/// How long the form's cookie lasts: a page left open overnight still works.
const BEFORE_SECONDS: i64 = 24 * 60 * 60;
/// What a browser deletes at sign-out (OWASP ASVS 5.0.0, 14.3.1; W3C Clear Site Data): pages and what scripts
/// stored. Not its cookies: the device stays registered.
const CLEAR_SITE_DATA: (HeaderName, HeaderValue) =
    (HeaderName::from_static("clear-site-data"), HeaderValue::from_static("\"cache\", \"storage\""));
/// The longest address to continue to.
const MAX_THEN: usize = 500;

pub(crate) fn routes() -> Vec<Route> {
    vec![
        Route::get("/sign-in", Access::Public, page),
        Route::post("/sign-in", Access::Public, sign_in),
        Route::get("/sign-in/code", Access::Public, code::page),
        Route::post("/sign-in/code", Access::Public, code::verify),
        Route::post("/sign-out", Access::Authenticated, sign_out),
    ]
}

#[derive(Template)]
#[template(path = "sign_in/room.html")]
struct Page {
    frame: Frame,
    faults: Faults,
    then: String,
    /// The name as it was typed.
    name: String,
    /// The device's name, if it is registered.
    device: String,
    hands: Vec<Hand>,
}

/// Somebody who may sign in by PIN.
struct Hand {
    id: String,
    name: String,
    is_chosen: bool,
}

#[derive(Debug, Default, Deserialize)]
pub(crate) struct SignInQuery {
    #[serde(default)]
    then: String,
}

/// A page of this shop: only a path, never another site's address.
fn own_path(then: &str) -> &str {
    let is_own = then.starts_with('/')
        && !then.starts_with("//")
        && then.len() <= MAX_THEN
        && then.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
        && !["/sign-in", "/sign-out", "/setup"].iter().any(|path| then.starts_with(path));
    if is_own { then } else { "/" }
}

/// The registered device of a browser.
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
    let hand = |person: ledger::people::PersonView| {
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

/// GET /sign-in
pub(crate) async fn page(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    QueryParam(asked): QueryParam<SignInQuery>,
) -> Result<Response, Problem> {
    if !app.ledger.has_people().await? {
        return Ok(see_other("/setup"));
    }
    let token = before(&visit, &headers);
    let device = device_of(&app, &visit, &headers).await?;
    let mut page = Page::new(&app, &token, device.as_ref(), "").await?;
    own_path(&asked.then).clone_into(&mut page.then);
    Ok(with_before(&visit, &token, HtmlPage(page).into_response()))
}

/// The form token of a browser in which nobody is signed in.
pub(crate) fn before(visit: &Visit, headers: &HeaderMap) -> String {
    Cookie::Before.read(visit.via, headers).unwrap_or_else(crate::security::random::text)
}

pub(crate) fn with_before(visit: &Visit, token: &str, mut response: Response) -> Response {
    let cookie = Cookie::Before.set(visit.via, token, BEFORE_SECONDS);
    response.headers_mut().append(header::SET_COOKIE, cookie);
    response
}

/// What cannot be anybody's name or password, so that nothing has to be looked up or hashed.
fn too_long(form: &Form) -> Option<Faults> {
    if form.text("name").chars().count() > MAX_NAME_CHARS {
        return Some(Faults::one("name", format!("a name can have at most {MAX_NAME_CHARS} characters")));
    }
    let is_long = ["password", "pin"].iter().any(|field| form.raw(field).len() > MOST_BYTES);
    is_long.then(|| Faults::one("password", "the password is too long"))
}

/// POST /sign-in
pub(crate) async fn sign_in(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    OutsideForm(form): OutsideForm,
) -> Result<Response, Problem> {
    match enter(&app, &visit, &headers, &form).await? {
        Ok(entered) => Ok(entered),
        Err(refused) => refused.page(&app, &visit, &form).await,
    }
}

/// Why somebody was not signed in, and on which registered device.
struct Refused {
    why: Why,
    device: Option<DeviceView>,
}

enum Why {
    TooLong(Faults),
    Wrong(By),
    TooOften(Problem),
}

/// Signs somebody in, or asks for the code of their second factor.
async fn enter(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    form: &Form,
) -> Result<Result<Response, Refused>, Problem> {
    let origin = Origin::of(app, visit, headers, form.text("name")).await?;
    let refused = |why| Ok(Err(Refused { why, device: origin.device.clone() }));
    if let Some(faults) = too_long(form) {
        return refused(Why::TooLong(faults));
    }
    match look(app, &origin, form).await {
        Ok(Found::Right(right)) => {
            session::go_on(app, visit, headers, *right, own_path(form.text("then"))).await.map(Ok)
        }
        Ok(Found::Wrong(by)) => refused(Why::Wrong(by)),
        Err(problem) if problem.kind() == Kind::TooOften => refused(Why::TooOften(problem)),
        Err(problem) => Err(problem),
    }
}

impl Refused {
    /// The page again, with the reason.
    async fn page(self, app: &App, visit: &Visit, form: &Form) -> Result<Response, Problem> {
        let device = self.device.as_ref();
        match self.why {
            Why::TooLong(faults) => {
                let page = redisplay(app, form, device, faults).await?;
                Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
            }
            Why::Wrong(by) => wrong(app, visit, form, device, by).await,
            Why::TooOften(problem) => too_often(app, visit, form, device, problem).await,
        }
    }
}

async fn redisplay(
    app: &App,
    form: &Form,
    device: Option<&DeviceView>,
    faults: Faults,
) -> Result<HtmlPage<Page>, Problem> {
    let page = Page::new(app, &form.caller.form_token, device, form.text("person")).await?;
    let then = own_path(form.text("then")).to_owned();
    let name = form.text("name").chars().take(MAX_NAME_CHARS).collect();
    Ok(HtmlPage(Page { faults, then, name, ..page }))
}

/// Wrong: it does not say which of the two, nor whether a PIN is disabled.
async fn wrong(
    app: &App,
    visit: &Visit,
    form: &Form,
    device: Option<&DeviceView>,
    by: By,
) -> Result<Response, Problem> {
    let account = account(app, form).await?;
    tracing::warn!(account, from = %visit.address, ?by, "a try to sign in went wrong");
    let words = match by {
        By::Password => "the name or password is incorrect".to_owned(),
        By::Pin => format!(
            "the PIN is incorrect. After {MAX_PIN_FAILURES} wrong PINs you must sign in with your password; then the \
             PIN works again"
        ),
    };
    let page = redisplay(app, form, device, Faults::one("", words)).await?;
    Ok((StatusCode::UNAUTHORIZED, [(header::WWW_AUTHENTICATE, BEARER)], page).into_response())
}

/// The account, for the log: an unknown name is not written, because now and then it is the password.
async fn account(app: &App, form: &Form) -> Result<String, Problem> {
    let person = if form.has("pin") {
        form.text("person").parse().ok()
    } else {
        app.ledger.password_of(form.text("name")).await?.map(|(person, _)| person)
    };
    Ok(person.map_or_else(|| "nobody's".to_owned(), |person: domain::ids::PersonId| person.to_string()))
}

async fn too_often(
    app: &App,
    visit: &Visit,
    form: &Form,
    device: Option<&DeviceView>,
    problem: Problem,
) -> Result<Response, Problem> {
    let account = account(app, form).await?;
    tracing::warn!(account, from = %visit.address, "a try to sign in has to wait");
    let wait = problem.retry_after();
    let page = redisplay(app, form, device, Faults::of(problem)?).await?;
    let wait = [(header::RETRY_AFTER, HeaderValue::from(wait))];
    Ok((Kind::TooOften.status(), wait, page).into_response())
}

/// POST /sign-out
pub(crate) async fn sign_out(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    form: Form,
) -> Result<Response, Problem> {
    if let Some(cookie) = Cookie::Session.read(visit.via, &headers) {
        app.run_unkept(&SignOut { session: SecretHash::of(&cookie) }).await?;
    }
    // OWASP ASVS 5.0.0, 16.3.1: whose session it was.
    tracing::info!(who = form.caller.who, from = %visit.address, "somebody signed out");
    Ok(signed_out(&visit))
}

/// Back to the sign-in page, without the session's cookie.
pub(crate) fn signed_out(visit: &Visit) -> Response {
    let mut response = see_other("/sign-in");
    response.headers_mut().append(header::SET_COOKIE, Cookie::Session.unset(visit.via));
    let (name, value) = CLEAR_SITE_DATA;
    response.headers_mut().insert(name, value);
    response
}

#[cfg(test)]
pub(crate) mod tests;

#[cfg(test)]
mod guessing;
