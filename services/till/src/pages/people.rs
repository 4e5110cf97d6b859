//! People, devices and tokens: who may sign in, for owners to see and change.

mod device;
mod made;
mod one;
mod token;

use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::pages::sign_in::device_of;
use crate::problem::Problem;
use crate::request::caller::{Access, Caller};
use crate::request::route::Route;
use crate::security::secrets::{WeakSecret, check_password, check_pin};
use crate::traffic::visit::Visit;
use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use domain::people::{Permission, Role};
use ledger::people::{AddPerson, PersonView, Phc};

pub(crate) const PATH: &str = "/settings/people";
/// Who may see and change them.
const NEEDS: Access = Access::With(Permission::Admit);

pub(crate) fn routes() -> Vec<Route> {
    vec![
        Route::get(PATH, NEEDS, room),
        Route::post(PATH, NEEDS, add),
        Route::get("/settings/people/{id}", NEEDS, one::room),
        Route::post("/settings/people/{id}/role", NEEDS, one::set_role),
        Route::post("/settings/people/{id}/password", NEEDS, one::set_password),
        Route::post("/settings/people/{id}/pin", NEEDS, one::set_pin),
        Route::post("/settings/people/{id}/second-factor", NEEDS, one::reset_second_factor),
        Route::post("/settings/people/{id}/end", NEEDS, one::end),
        Route::post("/settings/devices", NEEDS, device::enrol),
        Route::post("/settings/devices/{id}/end", NEEDS, device::end),
        Route::post("/settings/tokens", NEEDS, token::make),
        Route::post("/settings/tokens/end", NEEDS, token::end),
    ]
}

struct Choice {
    code: &'static str,
    words: &'static str,
    is_chosen: bool,
}

/// The state of somebody's PIN, in words.
fn pin_words(person: &PersonView) -> &'static str {
    match (person.has_pin, person.is_pin_dead) {
        (false, _) => "none",
        (true, false) => "set",
        (true, true) => "locked until they sign in with their password",
    }
}

fn choices(chosen: &str) -> Vec<Choice> {
    let choice =
        |role: Role| Choice { code: role.code(), words: role.words(), is_chosen: role.code() == chosen };
    Role::ALL.into_iter().map(choice).collect()
}

struct PersonRow {
    id: String,
    name: String,
    role: &'static str,
    pin: &'static str,
    has_second_factor: bool,
    since: String,
}

struct DeviceRow {
    id: String,
    name: String,
    since: String,
    is_this: bool,
}

struct TokenRow {
    name: String,
    role: &'static str,
    made_by: String,
    until: String,
    is_over: bool,
}

/// The page, with the form that had faults, if any.
#[derive(Template)]
#[template(path = "people/room.html")]
pub(crate) struct Page {
    frame: Frame,
    people: Vec<PersonRow>,
    devices: Vec<DeviceRow>,
    tokens: Vec<TokenRow>,
    is_enrolled: bool,
    takes_tokens: bool,
    person: Typed,
    device: Typed,
    token: Typed,
}

/// A form as it was typed, with its faults.
#[derive(Default)]
struct Typed {
    faults: Faults,
    name: String,
    days: String,
    roles: Vec<Choice>,
}

impl Typed {
    fn new(form: Option<&Form>, faults: Faults) -> Self {
        let of = |field: &str, or: &str| form.map_or(or, |form| form.text(field)).to_owned();
        let roles = choices(&of("role", Role::Counter.code()));
        Self { faults, name: of("name", ""), days: of("days", "365"), roles }
    }
}

/// Which form of the page had faults.
enum Undone {
    Nothing,
    Person(Faults),
    Device(Faults),
    Token(Faults),
}

impl Page {
    async fn new(
        app: &App,
        caller: &Caller,
        (visit, headers): (&Visit, &HeaderMap),
        (form, undone): (Option<&Form>, Undone),
    ) -> Result<Self, Problem> {
        let this = device_of(app, visit, headers).await?.map(|d| d.id);
        let zone = &app.ledger.shop().zone;
        let now = app.ledger.now();
        let people = app.ledger.people().await?.into_iter().map(|p| PersonRow {
            id: p.id.to_string(),
            pin: pin_words(&p),
            has_second_factor: p.has_second_factor,
            name: p.name,
            role: p.role.words(),
            since: shown::moment(zone, p.made),
        });
        let devices = app.ledger.devices().await?.into_iter().map(|d| DeviceRow {
            id: d.id.to_string(),
            name: d.name,
            since: shown::moment(zone, d.made),
            is_this: Some(d.id) == this,
        });
        let tokens = app.ledger.tokens().await?.into_iter().map(|t| TokenRow {
            name: t.name,
            role: t.role.words(),
            made_by: t.made_by,
            until: shown::moment(zone, t.until),
            is_over: t.until <= now,
        });
        let mut page = Self {
            frame: Frame::new(app, caller, Room::Settings),
            people: people.collect(),
            devices: devices.collect(),
            tokens: tokens.collect(),
            is_enrolled: this.is_some(),
            takes_tokens: app.keys.is_some(),
            person: Typed::new(None, Faults::default()),
            device: Typed::new(None, Faults::default()),
            token: Typed::new(None, Faults::default()),
        };
        match undone {
            Undone::Nothing => {}
            Undone::Person(faults) => page.person = Typed::new(form, faults),
            Undone::Device(faults) => page.device = Typed::new(form, faults),
            Undone::Token(faults) => page.token = Typed::new(form, faults),
        }
        Ok(page)
    }
}

/// GET /settings/people
async fn room(
    State(app): State<App>,
    caller: Caller,
    visit: Visit,
    headers: HeaderMap,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::new(&app, &caller, (&visit, &headers), (None, Undone::Nothing)).await?))
}

/// The page again, with the form that had faults.
async fn redisplay(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    form: &Form,
    undone: Undone,
) -> Result<Response, Problem> {
    let page = Page::new(app, &form.caller, (visit, headers), (Some(form), undone)).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

/// The role that a form names.
fn role(form: &Form) -> Result<Role, Problem> {
    let role = Role::from_code(form.text("role"));
    role.ok_or_else(|| Problem::invalid("#/role", "choose counter clerk, maker or owner"))
}

fn weak(field: &str, weak: WeakSecret) -> Problem {
    Problem::invalid(format!("#/{field}"), weak)
}

/// A new PIN, hashed; none if the field is empty.
async fn pin(app: &App, form: &Form, role: Role) -> Result<Option<Phc>, Problem> {
    let pin = form.text("pin");
    if pin.is_empty() {
        return Ok(None);
    }
    check_pin(pin, role).map_err(|e| weak("pin", e))?;
    app.secrets.hash(pin).await.map(Some)
}

async fn password(app: &App, form: &Form, name: &str) -> Result<Phc, Problem> {
    let password = form.raw("password");
    check_password(password, name).map_err(|e| weak("password", e))?;
    app.secrets.hash(password).await
}

/// POST /settings/people
async fn add(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    form: Form,
) -> Result<Response, Problem> {
    match add_person(&app, &form).await {
        Ok(()) => Ok(see_other(PATH)),
        Err(problem) => {
            let undone = Undone::Person(Faults::of(problem)?);
            redisplay(&app, &visit, &headers, &form, undone).await
        }
    }
}

async fn add_person(app: &App, form: &Form) -> Result<(), Problem> {
    let role = role(form)?;
    let new = AddPerson {
        name: form.text("name").to_owned(),
        role,
        password: password(app, form, form.text("name")).await?,
        pin: pin(app, form, role).await?,
        who: form.caller.who.clone(),
    };
    app.run_unkept(&new).await.map(|_| ())
}

#[cfg(test)]
mod tests;
