//! GET /customers, and POST /customers, which adds one

use super::fields::{ContactFields, Found};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::ids::CustomerId;
use ledger::customers::{AddCustomer, FindCustomers};
use serde::Deserialize;

/// Customers on one page.
const ROWS: usize = 50;

#[derive(Template)]
#[template(path = "customers/room.html")]
pub(crate) struct Page {
    frame: Frame,
    words: String,
    rows: Vec<Found>,
    /// The address of the next page; none after the last.
    next: Option<String>,
    typed: ContactFields,
    faults: Faults,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Query {
    q: String,
    before: Option<String>,
}

impl Page {
    async fn of(app: &App, caller: &Caller, query: Query) -> Result<Self, Problem> {
        let before = query.before.map(|text| text.parse::<CustomerId>()).transpose();
        let before = before.map_err(|error| Problem::invalid_parameter("before", error))?;
        let find = FindCustomers { words: query.q.clone(), before };
        let (mut found, mut faults) = (Vec::new(), Faults::default());
        match app.ledger.find_customers(&find, ROWS + 1).await.map_err(Problem::from) {
            Ok(rows) => found = rows,
            Err(problem) => faults = Faults::of(problem)?,
        }
        let goes_on = found.len() > ROWS;
        found.truncate(ROWS);
        let next = found.last().filter(|_| goes_on).map(|last| {
            let query = form_urlencoded::Serializer::new(String::new())
                .append_pair("q", &query.q)
                .append_pair("before", &last.id.to_string())
                .finish();
            format!("/customers?{query}")
        });
        Ok(Self {
            frame: Frame::new(app, caller, Room::Customers),
            words: query.q,
            rows: found.into_iter().map(Found::from).collect(),
            next,
            typed: ContactFields::default(),
            faults,
        })
    }
}

/// GET /customers
pub(crate) async fn room(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<Query>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::of(&app, &caller, query).await?))
}

/// POST /customers
pub(crate) async fn add(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let contact = ContactFields::typed(&form).contact();
    match app.run(&form.key, &AddCustomer { contact, who: form.caller.who.clone() }).await {
        Ok(done) => Ok(see_other(&format!("/customers/{}", done.answer))),
        Err(problem) => {
            let faults = Faults::of(problem)?;
            let page = Page::of(&app, &form.caller, Query::default()).await?;
            let page = Page { typed: ContactFields::typed(&form), faults, ..page };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}
