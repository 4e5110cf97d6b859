//! Custom orders: GET /counter/custom-orders lists them, GET …/new asks for one, and POST takes it.

use crate::app::App;
use crate::pages::counter::run_form;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::promised::{caution, state_words};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::customer::Contact;
use domain::day::Day;
use domain::ids::CustomerId;
use domain::money::Money;
use ledger::Shop;
use ledger::sales::{CustomOrderView, NewCustomOrder};
use ledger::shelf::StyleView;
use serde::Deserialize;

/// Open orders that are listed; a maker has no more in a year.
const MOST_OPEN: usize = 200;
/// Ended orders on one page.
const MOST_ENDED: usize = 50;

/// A custom order in a list.
pub(crate) struct Row {
    pub(crate) id: String,
    pub(crate) about: String,
    pub(crate) customer: String,
    pub(crate) due: String,
    pub(crate) state: &'static str,
    /// Overdue, or due soon; empty for others.
    pub(crate) caution: &'static str,
    /// What is left of its deposits.
    pub(crate) deposits: Option<String>,
}

impl Row {
    pub(crate) fn of(order: &CustomOrderView, today: Day) -> Self {
        let name = if order.name.is_empty() { "Erased customer" } else { &order.name };
        Self {
            id: order.id.to_string(),
            about: order.about.clone(),
            customer: name.to_owned(),
            due: order.due.shown(),
            state: state_words(order.state),
            caution: caution(order, today),
            deposits: (!order.deposits.is_zero()).then(|| order.deposits.shown()),
        }
    }
}

#[derive(Template)]
#[template(path = "counter/custom_orders.html")]
pub(crate) struct List {
    frame: Frame,
    open: Vec<Row>,
    ended: Vec<Row>,
}

/// GET /counter/custom-orders
pub(crate) async fn list(State(app): State<App>, caller: Caller) -> Result<HtmlPage<List>, Problem> {
    let today = today(&app.ledger.shop(), &app);
    let open = app.ledger.custom_orders_due(None, MOST_OPEN).await?;
    let latest = app.ledger.custom_orders(None, MOST_ENDED).await?;
    Ok(HtmlPage(List {
        frame: Frame::new(&app, &caller, Room::Counter),
        open: open.iter().map(|order| Row::of(order, today)).collect(),
        ended: latest.iter().filter(|o| !o.state.is_open()).map(|order| Row::of(order, today)).collect(),
    }))
}

pub(crate) fn today(shop: &Shop, app: &App) -> Day {
    shop.zone.day_of(app.ledger.now())
}

/// What was typed for a new order.
#[derive(Default)]
struct Typed {
    name: String,
    email: String,
    phone: String,
    style: String,
    size: String,
    color: String,
    note: String,
    due: String,
    estimate: String,
}

impl Typed {
    fn of(form: &Form) -> Self {
        let text = |name: &str| form.text(name).to_owned();
        Self {
            name: text("name"),
            email: text("email"),
            phone: text("phone"),
            style: text("style"),
            size: text("size"),
            color: text("color"),
            note: text("note"),
            due: text("due"),
            estimate: text("estimate"),
        }
    }
}

/// Whose the order is.
struct Customer {
    id: String,
    name: String,
}

#[derive(Template)]
#[template(path = "counter/custom_order_new.html")]
pub(crate) struct New {
    frame: Frame,
    /// None for somebody new.
    customer: Option<Customer>,
    styles: Vec<StyleView>,
    typed: Typed,
    faults: Faults,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Query {
    #[serde(default)]
    customer: String,
}

impl New {
    async fn of(app: &App, caller: &Caller, customer: &str) -> Result<Self, Problem> {
        let customer = match customer.parse::<CustomerId>() {
            Ok(id) => {
                let name = app.ledger.customer(id).await?.contact.name;
                Some(Customer { id: id.to_string(), name })
            }
            Err(_) => None,
        };
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            customer,
            styles: app.ledger.styles().await?,
            typed: Typed::default(),
            faults: Faults::default(),
        })
    }

    fn is_chosen(&self, style: &StyleView) -> bool {
        self.typed.style == style.name
    }
}

/// GET /counter/custom-orders/new
pub(crate) async fn new(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<Query>,
) -> Result<HtmlPage<New>, Problem> {
    Ok(HtmlPage(New::of(&app, &caller, &query.customer).await?))
}

/// POST /counter/custom-orders
pub(crate) async fn take(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    match run_form(&app, &form, read(&app, &form)).await? {
        Ok(id) => Ok(see_other(&format!("/counter/custom-orders/{id}"))),
        Err(wrong) => {
            let page = New::of(&app, &form.caller, form.text("customer")).await?;
            let page = New { typed: Typed::of(&form), faults: wrong.faults(&app), ..page };
            Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
        }
    }
}

fn read(app: &App, form: &Form) -> Result<NewCustomOrder, Faults> {
    let typed = Typed::of(form);
    let due = match typed.due.as_str() {
        "" => Err(Faults::one("due", "choose the day on which the customer needs it")),
        text => Day::parse(text).map_err(|error| Faults::one("due", error.to_string())),
    };
    let estimate = match typed.estimate.as_str() {
        "" => Ok(None),
        text => Money::parse(text, app.ledger.shop().currency).map(Some),
    };
    let estimate = estimate.map_err(|error| Faults::one("estimate", error.to_string()));
    let contact = Contact { name: typed.name, email: typed.email, phone: typed.phone, ..Contact::default() };
    Ok(NewCustomOrder {
        customer: form.text("customer").parse().ok(),
        contact,
        style: Some(typed.style).filter(|style| !style.is_empty()),
        size: typed.size,
        color: typed.color,
        note: typed.note,
        due: due?,
        estimate: estimate?,
        who: form.caller.who.clone(),
    })
}
