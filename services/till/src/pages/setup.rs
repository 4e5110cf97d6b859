//! The first setup: the shop's name, currency and zone, and its owner with their own password. It exists only
//! while nobody has an account, and only on the shop's own machine: otherwise whoever found a new shop's public
//! address first would own it.

use crate::app::App;
use crate::pages::form::{Faults, Form, OutsideForm};
use crate::pages::frame::{Frame, HtmlPage, see_other};
use crate::pages::shown::zones;
use crate::pages::sign_in::{before, let_in, new_session, with_before};
use crate::problem::{Kind, Problem};
use crate::request::caller::Access;
use crate::request::route::Route;
use crate::security::secrets::check_password;
use crate::traffic::visit::Visit;
use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use domain::day::Zone;
use domain::money::Currency;
use domain::people::Role;
use domain::text;
use ledger::keeping::BeginShop;
use ledger::people::{AddPerson, By, TryFrom, TryOf};

pub(crate) fn routes() -> Vec<Route> {
    vec![Route::get("/setup", Access::Public, page), Route::post("/setup", Access::Public, set_up)]
}

/// Currencies that are offered; any other code of ISO 4217 can be typed.
const CURRENCIES: &[(&str, &str)] = &[
    ("USD", "US dollar"),
    ("EUR", "euro"),
    ("GBP", "pound sterling"),
    ("CAD", "Canadian dollar"),
    ("AUD", "Australian dollar"),
    ("NZD", "New Zealand dollar"),
    ("CHF", "Swiss franc"),
    ("NOK", "Norwegian krone"),
    ("SEK", "Swedish krona"),
    ("DKK", "Danish krone"),
];
#[derive(Template)]
#[template(path = "setup/room.html")]
struct Page {
    frame: Frame,
    faults: Faults,
    shop: String,
    currency: String,
    zone: String,
    name: String,
    currencies: &'static [(&'static str, &'static str)],
    /// Zones, each with its city.
    zones: Vec<(String, String)>,
}

/// Whether the setup is open to this visitor: the answer if not.
async fn closed(app: &App, visit: &Visit) -> Result<Option<Response>, Problem> {
    if app.ledger.has_people().await? {
        return Ok(Some(see_other("/sign-in")));
    }
    if visit.is_here {
        return Ok(None);
    }
    let words = "set up the shop on its own computer. Open this page there at the address that the program printed, \
        or add the owner there with `fleecefold user add`";
    Err(Problem::new(Kind::NotAllowed, words))
}

/// GET /setup
pub(crate) async fn page(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    if let Some(answer) = closed(&app, &visit).await? {
        return Ok(answer);
    }
    let token = before(&visit, &headers);
    let shop = app.ledger.shop();
    let page = Page {
        frame: Frame::outside(&app, &token),
        faults: Faults::default(),
        shop: String::new(),
        currency: shop.currency.to_string(),
        zone: shop.zone.name().to_owned(),
        name: String::new(),
        currencies: CURRENCIES,
        zones: zones(),
    };
    Ok(with_before(&visit, &token, HtmlPage(page).into_response()))
}

/// POST /setup
pub(crate) async fn set_up(
    State(app): State<App>,
    visit: Visit,
    headers: HeaderMap,
    OutsideForm(form): OutsideForm,
) -> Result<Response, Problem> {
    if let Some(answer) = closed(&app, &visit).await? {
        return Ok(answer);
    }
    let faults = faults(&form);
    if !faults.is_empty() {
        return Ok(redisplay(&app, &form, faults));
    }
    Ok(match begin(&app, &visit, &headers, &form).await? {
        Ok(begun) => begun,
        Err(faults) => redisplay(&app, &form, faults),
    })
}

/// Begins the shop and signs its owner in, or says what else is wrong with the form.
async fn begin(
    app: &App,
    visit: &Visit,
    headers: &HeaderMap,
    form: &Form,
) -> Result<Result<Response, Faults>, Problem> {
    let phc = app.secrets.hash(form.raw("password")).await?;
    let name = form.text("owner").to_owned();
    let owner =
        AddPerson { name: name.clone(), role: Role::Owner, password: phc.clone(), pin: None, who: name };
    let setting = |key: &str, field: &str| (key.to_owned(), form.text(field).to_owned());
    let settings = vec![setting("currency", "currency"), setting("zone", "zone"), setting("name", "shop")];
    let network = visit.address.network().to_string();
    let tried = TryOf::password(&owner.name, &TryFrom::Stranger(&network));
    match app.run_unkept(&BeginShop { settings, owner }).await {
        Ok(person) => {
            let_in(app, visit, headers, new_session(person, By::Password, phc, tried), "/").await.map(Ok)
        }
        Err(problem) => Faults::of(problem).map(Err),
    }
}

/// All that is wrong with the form, so that it is mended in one go. The ledger checks it again.
fn faults(form: &Form) -> Faults {
    let mut faults = Faults::default();
    if let Err(error) = text::name(form.text("shop")) {
        faults.add("name", error);
    }
    if let Err(error) = Currency::from_code(form.text("currency")) {
        faults.add("currency", error);
    }
    if let Err(error) = Zone::from_name(form.text("zone")) {
        faults.add("zone", error);
    }
    if let Err(error) = text::name(form.text("owner")) {
        faults.add("owner", error);
    }
    if let Err(weak) = check_password(form.raw("password"), form.text("owner")) {
        faults.add("password", weak);
    }
    if form.raw("password") != form.raw("again") {
        faults.add("again", "the passwords do not match");
    }
    faults
}

fn redisplay(app: &App, form: &Form, faults: Faults) -> Response {
    let of = |field: &str| form.text(field).to_owned();
    let page = Page {
        frame: Frame::outside(app, &form.caller.form_token),
        faults,
        shop: of("shop"),
        currency: of("currency"),
        zone: of("zone"),
        name: of("owner"),
        currencies: CURRENCIES,
        zones: zones(),
    };
    (StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response()
}

#[cfg(test)]
mod tests;
