//! One custom order: GET /counter/custom-orders/{order}, and what is done with it: a deposit is taken, its piece is held
//! again or given up, it is canceled.

use super::custom_orders::today;
use super::deposits::{DepositRow, open_sale};
use crate::app::App;
use crate::pages::counter::place::Here;
use crate::pages::counter::run_form;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::promised::{caution, state_words};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::account::DepositFor;
use domain::custom_order::CustomOrderState;
use domain::ids::CustomOrderId;
use domain::money::Money;
use domain::people::Permission;
use ledger::sales::{CancelCustomOrder, CustomOrderView, HoldOrderedPiece, ReopenCustomOrder};

/// The piece that was made.
struct Piece {
    path: String,
    name: String,
    price: String,
    is_in_stock: bool,
    hold: Option<String>,
}

#[derive(Template)]
#[template(path = "counter/custom_order.html")]
pub(crate) struct Page {
    frame: Frame,
    id: String,
    about: String,
    customer: String,
    customer_id: String,
    due: String,
    caution: &'static str,
    state: &'static str,
    estimate: Option<String>,
    note: String,
    taken: String,
    /// Who ended it, when and why.
    ended: Option<String>,
    sale: Option<(String, String)>,
    piece: Option<Piece>,
    deposits: Vec<DepositRow>,
    /// What is left of them, if something is.
    left: Option<String>,
    is_open: bool,
    is_made: bool,
    may_make: bool,
    /// What was typed for a deposit and refused.
    amount: String,
    faults: Faults,
}

impl Page {
    async fn of(app: &App, caller: &Caller, id: CustomOrderId) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let order = app.ledger.custom_order(id).await?;
        let deposits = app.ledger.deposits_for(DepositFor::Order(id)).await?;
        Ok(Self {
            frame: Frame::new(app, caller, Room::Counter),
            id: id.to_string(),
            customer: order.name.clone(),
            customer_id: order.customer.to_string(),
            due: order.due.shown(),
            caution: caution(&order, today(&shop, app)),
            state: state_words(order.state),
            estimate: order.estimate.map(Money::shown),
            note: order.note.clone(),
            taken: by(&shop.zone.shown(order.taken), &order.who),
            ended: order.ended.as_ref().map(|(who, at)| ended(&order, &by(&shop.zone.shown(*at), who))),
            sale: order.sale.map(|(sale, receipt)| {
                (sale.to_string(), receipt.map(|receipt| receipt.to_string()).unwrap_or_default())
            }),
            piece: piece(&order),
            deposits: deposits.iter().map(|deposit| DepositRow::of(&shop, deposit)).collect(),
            left: (!order.deposits.is_zero()).then(|| order.deposits.shown()),
            is_open: order.state.is_open(),
            is_made: order.state == CustomOrderState::Made,
            may_make: caller.may(Permission::Make),
            about: order.about,
            amount: String::new(),
            faults: Faults::default(),
        })
    }
}

fn by(when: &str, who: &str) -> String {
    if who.is_empty() { when.to_owned() } else { format!("{when} by {who}") }
}

fn ended(order: &CustomOrderView, when: &str) -> String {
    let state = state_words(order.state);
    if order.reason.is_empty() {
        format!("{state} on {when}")
    } else {
        format!("{state} on {when}: {}", order.reason)
    }
}

fn piece(order: &CustomOrderView) -> Option<Piece> {
    let piece = order.piece.as_ref()?;
    let sku = form_urlencoded::byte_serialize(piece.sku.as_bytes()).collect::<String>();
    Some(Piece {
        path: format!("/shelf/items/{}", sku.replace('+', "%20")),
        name: piece.name.clone(),
        price: piece.price.shown(),
        is_in_stock: piece.is_in_stock,
        hold: piece.hold.map(|hold| hold.to_string()),
    })
}

/// GET /counter/custom-orders/{order}
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(order): PathParam<CustomOrderId>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::of(&app, &caller, order).await?))
}

/// POST /counter/custom-orders/{order}/deposit: a sale that takes it, still to be paid.
pub(crate) async fn deposit(
    State(app): State<App>,
    here: Here,
    PathParam(order): PathParam<CustomOrderId>,
    form: Form,
) -> Result<Response, Problem> {
    let command = open_sale(&app, &form, DepositFor::Order(order), &here.channel);
    match run_form(&app, &form, command).await? {
        Ok(basket) => Ok(see_other(&format!("/counter/{basket}"))),
        Err(wrong) => again(&app, &form, order, wrong.faults(&app)).await,
    }
}

/// POST /counter/custom-orders/{order}/hold
pub(crate) async fn hold(
    State(app): State<App>,
    PathParam(order): PathParam<CustomOrderId>,
    form: Form,
) -> Result<Response, Problem> {
    let command = HoldOrderedPiece { order, who: form.caller.who.clone() };
    match run_form(&app, &form, Ok(command)).await? {
        Ok(()) => Ok(see_other(&format!("/counter/custom-orders/{order}"))),
        Err(wrong) => again(&app, &form, order, wrong.faults(&app)).await,
    }
}

/// POST /counter/custom-orders/{order}/reopen
pub(crate) async fn reopen(
    State(app): State<App>,
    PathParam(order): PathParam<CustomOrderId>,
    form: Form,
) -> Result<Response, Problem> {
    let command = ReopenCustomOrder { order, who: form.caller.who.clone() };
    match run_form(&app, &form, Ok(command)).await? {
        Ok(()) => Ok(see_other(&format!("/counter/custom-orders/{order}"))),
        Err(wrong) => again(&app, &form, order, wrong.faults(&app)).await,
    }
}

/// POST /counter/custom-orders/{order}/cancel
pub(crate) async fn cancel(
    State(app): State<App>,
    PathParam(order): PathParam<CustomOrderId>,
    form: Form,
) -> Result<Response, Problem> {
    let (reason, who) = (form.text("reason").to_owned(), form.caller.who.clone());
    match run_form(&app, &form, Ok(CancelCustomOrder { order, reason, who })).await? {
        Ok(_) => Ok(see_other(&format!("/counter/custom-orders/{order}"))),
        Err(wrong) => again(&app, &form, order, wrong.faults(&app)).await,
    }
}

async fn again(app: &App, form: &Form, id: CustomOrderId, faults: Faults) -> Result<Response, Problem> {
    let page = Page::of(app, &form.caller, id).await?;
    let page = Page { faults, amount: form.text("amount").to_owned(), ..page };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}
