//! GET /customers/{id}/erase asks; POST erases

use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::ids::CustomerId;
use ledger::customers::CustomerState;
use ledger::keeping::EraseCustomer;

#[derive(Template)]
#[template(path = "customers/erase.html")]
pub(crate) struct Page {
    frame: Frame,
    id: String,
    name: String,
    /// The certificate of a tax exemption, and until when it has to be kept with the name.
    kept: Option<(String, String)>,
    faults: Faults,
}

impl Page {
    /// None if there is nothing more to erase.
    async fn of(app: &App, caller: &Caller, id: CustomerId) -> Result<Option<Self>, Problem> {
        let customer = app.ledger.customer(id).await?;
        if customer.state != CustomerState::OnFile {
            return Ok(None);
        }
        let today = app.ledger.shop().zone.day_of(app.ledger.now());
        let kept = customer.terms.exemption.filter(|exemption| exemption.keep_until >= today);
        Ok(Some(Self {
            frame: Frame::new(app, caller, Room::Customers),
            id: id.to_string(),
            name: customer.contact.name,
            kept: kept.map(|exemption| (exemption.certificate, exemption.keep_until.shown())),
            faults: Faults::default(),
        }))
    }
}

/// GET /customers/{id}/erase
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<CustomerId>,
) -> Result<Response, Problem> {
    let page = Page::of(&app, &caller, id).await?;
    Ok(page.map_or_else(|| see_other(&format!("/customers/{id}")), |page| HtmlPage(page).into_response()))
}

/// POST /customers/{id}/erase
pub(crate) async fn erase(
    State(app): State<App>,
    PathParam(id): PathParam<CustomerId>,
    form: Form,
) -> Result<Response, Problem> {
    let command = EraseCustomer { customer: id, who: form.caller.who.clone() };
    let Err(problem) = app.run(&form.key, &command).await else {
        return Ok(see_other(&format!("/customers/{id}")));
    };
    match Page::of(&app, &form.caller, id).await? {
        Some(page) => {
            let page = Page { faults: Faults::of(problem)?, ..page };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
        None => Ok(see_other(&format!("/customers/{id}"))),
    }
}
