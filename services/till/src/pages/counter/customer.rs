//! Choosing a customer while ringing up: GET …/customer finds them, POST …/customer chooses one or none,
//! POST …/customer/new adds one and chooses them.

use crate::app::App;
use crate::pages::counter::place::{self, Here};
use crate::pages::counter::words::Wrong;
use crate::pages::counter::{SaleAt, run_form};
use crate::pages::customers::fields::{ContactFields, Found};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::channel::Channel;
use domain::ids::{BasketId, CustomerId};
use ledger::customers::{AddCustomer, FindCustomers};
use ledger::sales::{BasketChange, BasketState, ChangeBasket, OpenBasket};
use serde::Deserialize;

/// Customers that are offered at once.
const MOST_FOUND: usize = 10;

#[derive(Template)]
#[template(path = "counter/customer.html")]
pub(crate) struct Page {
    frame: Frame,
    /// The sale's address; `/counter` before it is started.
    path: String,
    /// Where the sale begins, if it has not begun.
    channel: String,
    /// The customer chosen so far; empty for none.
    customer: String,
    words: String,
    found: Vec<Found>,
    typed: ContactFields,
    faults: Faults,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Query {
    q: String,
}

impl Page {
    /// None if the sale is no longer open.
    async fn of(app: &App, caller: &Caller, sale: &SaleAt, words: String) -> Result<Option<Self>, Problem> {
        let (path, channel, customer) = match sale {
            SaleAt::New(channel) => ("/counter".to_owned(), channel.to_string(), String::new()),
            SaleAt::Open(basket) => {
                let view = app.ledger.basket(*basket).await?;
                if view.state != BasketState::Open || view.paying {
                    return Ok(None);
                }
                let customer = view.customer.map(|customer| customer.name).unwrap_or_default();
                (format!("/counter/{basket}"), view.channel.to_string(), customer)
            }
        };
        let find = FindCustomers { words: words.clone(), before: None };
        let (mut found, mut faults) = (Vec::new(), Faults::default());
        match app.ledger.find_customers(&find, MOST_FOUND).await.map_err(Problem::from) {
            Ok(rows) => found = rows,
            Err(problem) => faults = Faults::of(problem)?,
        }
        Ok(Some(Self {
            frame: Frame::new(app, caller, Room::Counter),
            path,
            channel,
            customer,
            // What found nobody is probably the name of somebody new.
            typed: ContactFields {
                name: if found.is_empty() { words.clone() } else { String::new() },
                ..ContactFields::default()
            },
            words,
            found: found.into_iter().map(Found::from).collect(),
            faults,
        }))
    }
}

async fn answer(app: &App, caller: &Caller, sale: &SaleAt, words: String) -> Result<Response, Problem> {
    let page = Page::of(app, caller, sale, words).await?;
    Ok(page.map_or_else(|| see_other(&path_of(sale)), |page| HtmlPage(page).into_response()))
}

fn path_of(sale: &SaleAt) -> String {
    match sale {
        SaleAt::New(_) => "/counter".to_owned(),
        SaleAt::Open(basket) => format!("/counter/{basket}"),
    }
}

/// GET /counter/customer
pub(crate) async fn first_page(
    State(app): State<App>,
    caller: Caller,
    here: Here,
    QueryParam(query): QueryParam<Query>,
) -> Result<Response, Problem> {
    answer(&app, &caller, &SaleAt::New(here.channel), query.q).await
}

/// GET /counter/{basket}/customer
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(basket): PathParam<BasketId>,
    QueryParam(query): QueryParam<Query>,
) -> Result<Response, Problem> {
    answer(&app, &caller, &SaleAt::Open(basket), query.q).await
}

/// The customer that a form's button names; none if it takes the customer off the sale.
fn chosen(form: &Form) -> Result<Option<CustomerId>, Faults> {
    match form.text("customer") {
        "" => Ok(None),
        id => id.parse().map(Some).map_err(|_| Faults::one("customer", "choose a customer from the list")),
    }
}

/// POST /counter/customer: the sale begins with its customer.
pub(crate) async fn choose_first(
    State(app): State<App>,
    here: Here,
    form: Form,
) -> Result<Response, Problem> {
    let channel = place::of_page(&app, &form, &here.channel).await?;
    let command = chosen(&form).map(|customer| begin(&form, &channel, customer));
    let outcome = run_form(&app, &form, command).await?;
    settled(&app, &form, SaleAt::New(channel), outcome).await
}

/// POST /counter/{basket}/customer
pub(crate) async fn choose(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let command = chosen(&form).map(|customer| change(basket, customer));
    let outcome = run_form(&app, &form, command).await?;
    settled(&app, &form, SaleAt::Open(basket), outcome.map(|_| basket)).await
}

/// POST /counter/customer/new
pub(crate) async fn add_first(State(app): State<App>, here: Here, form: Form) -> Result<Response, Problem> {
    let channel = place::of_page(&app, &form, &here.channel).await?;
    add_to(&app, &form, SaleAt::New(channel)).await
}

/// POST /counter/{basket}/customer/new
pub(crate) async fn add(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    add_to(&app, &form, SaleAt::Open(basket)).await
}

/// Adds a customer and chooses them. Pressed twice, the customer is added once, by the form's key; choosing them
/// again changes nothing.
async fn add_to(app: &App, form: &Form, sale: SaleAt) -> Result<Response, Problem> {
    let contact = ContactFields::typed(form).contact();
    let command = AddCustomer { contact, who: form.caller.who.clone() };
    let customer = match run_form(app, form, Ok(command)).await? {
        Ok(customer) => customer,
        Err(wrong) => return settled(app, form, sale, Err(wrong)).await,
    };
    let outcome = match &sale {
        SaleAt::New(channel) => app.ledger.answer(None, &begin(form, channel, Some(customer))).await?.answer,
        SaleAt::Open(basket) => {
            app.ledger.answer(None, &change(*basket, Some(customer))).await?.answer.map(|_| *basket)
        }
    };
    settled(app, form, sale, outcome.map_err(Wrong::from)).await
}

fn begin(form: &Form, channel: &Channel, customer: Option<CustomerId>) -> OpenBasket {
    let first = Some(BasketChange::Customer { customer });
    OpenBasket { channel: channel.clone(), first, who: form.caller.who.clone() }
}

fn change(basket: BasketId, customer: Option<CustomerId>) -> ChangeBasket {
    ChangeBasket { basket, revision: None, change: BasketChange::Customer { customer } }
}

/// On to the sale, or the page again with what is wrong.
async fn settled(
    app: &App,
    form: &Form,
    sale: SaleAt,
    outcome: Result<BasketId, Wrong>,
) -> Result<Response, Problem> {
    let wrong = match outcome {
        Ok(basket) => return Ok(see_other(&format!("/counter/{basket}"))),
        Err(wrong) => wrong,
    };
    let Some(page) = Page::of(app, &form.caller, &sale, form.text("q").to_owned()).await? else {
        return Ok(see_other(&path_of(&sale)));
    };
    let page = Page { typed: ContactFields::typed(form), faults: wrong.faults(app), ..page };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}
