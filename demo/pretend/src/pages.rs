//! The pages for people: what is for sale, with a button to order it, and their order.

use crate::book::{Bought, Line, OrderState};
use crate::goods::Shown;
use crate::shop::Shared;
use crate::time;
use askama::Template;
use axum::Router;
use axum::extract::{Form, Path, State};
use axum::http::StatusCode;
use axum::http::header::{CONTENT_TYPE, LOCATION};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::{get, post};
use futures_util::{Stream, stream};
use rust_decimal::Decimal;
use serde::Deserialize;
use std::convert::Infallible;

/// How many items and orders a page shows, newest orders first.
const SHOWN: usize = 500;
/// The longest name of a buyer, in characters.
const NAME: usize = 100;
const LOOK: &str = include_str!("../assets/look.css");
const SCRIPT: &str = include_str!("../assets/shelf.js");

pub(crate) fn routes() -> Router<Shared> {
    Router::new()
        .route("/", get(shelf))
        .route("/order", post(order))
        .route("/orders", get(orders))
        .route("/orders/{reference}", get(receipt))
        .route("/orders/{reference}/call-off", post(call_off))
        .route("/changes", get(changes))
        .route("/look.css", get(|| async { ([(CONTENT_TYPE, "text/css")], LOOK) }))
        .route("/shelf.js", get(|| async { ([(CONTENT_TYPE, "text/javascript")], SCRIPT) }))
}

struct Ware {
    good: Shown,
    unit: &'static str,
}

impl Ware {
    fn new(good: Shown) -> Self {
        let unit = unit(&good.unit);
        Self { good, unit }
    }

    fn can_be_had(&self) -> bool {
        self.good.have > Decimal::ZERO
    }

    fn is_only_one(&self) -> bool {
        self.good.have == Decimal::ONE && self.unit.is_empty()
    }

    /// The smallest order and the step, for the form's field.
    fn step(&self) -> &'static str {
        if self.unit.is_empty() { "1" } else { "0.5" }
    }

    fn traits(&self) -> String {
        self.good.traits.join(", ")
    }
}

/// A unit of weight as people write it; empty for counted goods.
fn unit(code: &str) -> &'static str {
    match code {
        "ONZ" => "oz",
        "LBR" => "lb",
        "GRM" => "g",
        "HGM" => "hg",
        "KGM" => "kg",
        _ => "",
    }
}

#[derive(Template)]
#[template(path = "shelf.html")]
struct ShelfPage {
    wares: Vec<Ware>,
    count: usize,
}

async fn shelf(State(shop): State<Shared>) -> Response {
    let (mut wares, count): (Vec<Ware>, usize) = {
        let book = shop.book();
        let in_stock = book.goods.listed().filter(|good| good.have > Decimal::ZERO);
        let gone = book.goods.listed().filter(|good| good.have <= Decimal::ZERO);
        (in_stock.chain(gone).take(SHOWN).map(Ware::new).collect(), book.goods.count())
    };
    wares.sort_by_key(|ware| !ware.can_be_had());
    page(&ShelfPage { wares, count })
}

#[derive(Deserialize)]
struct Wanted {
    sku: String,
    #[serde(default)]
    count: String,
    #[serde(default)]
    name: String,
}

#[derive(Template)]
#[template(path = "sorry.html")]
struct SorryPage {
    words: String,
}

fn sorry(status: StatusCode, words: String) -> Response {
    (status, page(&SorryPage { words })).into_response()
}

async fn order(State(shop): State<Shared>, Form(wanted): Form<Wanted>) -> Response {
    let count = match wanted.count.trim() {
        "" => Ok(Decimal::ONE),
        text => text.parse::<Decimal>(),
    };
    let Ok(count) = count else {
        return sorry(StatusCode::BAD_REQUEST, "Write how much as a number, such as 2 or 1.5.".to_owned());
    };
    let name: String = wanted.name.trim().chars().filter(|c| !c.is_control()).take(NAME).collect();
    let name = if name.is_empty() { "A passer-by".to_owned() } else { name };
    match shop.change(|book| book.buy(&[(wanted.sku, count)], &name, true)) {
        Ok(reference) => go(&format!("/orders/{reference}")),
        Err(not) => sorry(StatusCode::CONFLICT, not.to_string()),
    }
}

#[derive(Template)]
#[template(path = "orders.html")]
struct OrdersPage {
    orders: Vec<Receipt>,
}

async fn orders(State(shop): State<Shared>) -> Response {
    let orders = shop.book().orders.iter().rev().take(SHOWN).map(Receipt::of).collect();
    page(&OrdersPage { orders })
}

#[derive(Template)]
#[template(path = "receipt.html")]
struct Receipt {
    reference: String,
    placed: String,
    state: &'static str,
    buyer: String,
    lines: Vec<Line>,
    postage: Decimal,
    total: Decimal,
    may_be_called_off: bool,
}

impl Receipt {
    fn of(order: &Bought) -> Self {
        Self {
            reference: order.reference.clone(),
            placed: time::text(order.placed),
            state: match order.state {
                OrderState::OrderPaymentDue => "not yet paid",
                OrderState::OrderProcessing => "paid, being packed",
                OrderState::OrderCancelled => "called off",
            },
            buyer: order.buyer.clone(),
            lines: order.lines.clone(),
            postage: order.postage,
            total: order.total(),
            may_be_called_off: order.state != OrderState::OrderCancelled,
        }
    }
}

async fn receipt(State(shop): State<Shared>, Path(reference): Path<String>) -> Response {
    let found = shop.book().order(&reference).map(Receipt::of);
    match found {
        Ok(receipt) => page(&receipt),
        Err(not) => sorry(StatusCode::NOT_FOUND, not.to_string()),
    }
}

async fn call_off(State(shop): State<Shared>, Path(reference): Path<String>) -> Response {
    match shop.change(|book| book.cancel(&reference)) {
        Ok(()) => go(&format!("/orders/{reference}")),
        Err(not) => sorry(StatusCode::CONFLICT, not.to_string()),
    }
}

/// Tells a page that something changed, so that it draws itself again.
async fn changes(State(shop): State<Shared>) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let told = stream::unfold(shop.editions(), |mut editions| async move {
        editions.changed().await.ok()?;
        let edition = *editions.borrow_and_update();
        Some((Ok(Event::default().data(edition.to_string())), editions))
    });
    Sse::new(told).keep_alive(KeepAlive::default())
}

fn go(to: &str) -> Response {
    (StatusCode::SEE_OTHER, [(LOCATION, to.to_owned())]).into_response()
}

fn page(template: &impl Template) -> Response {
    match template.render() {
        Ok(text) => Html(text).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}
