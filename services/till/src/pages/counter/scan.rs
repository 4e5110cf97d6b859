//! POST /counter/scan and POST /counter/{basket}/scan

use crate::app::App;
use crate::pages::counter::place::{self, Here};
use crate::pages::counter::slip::Weigh;
use crate::pages::counter::words::Wrong;
use crate::pages::counter::{SaleAt, done, redisplay, run_form};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::see_other;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use domain::ids::BasketId;
use domain::quantity::Asked;
use domain::receipt::ReceiptCode;
use ledger::sales::{BasketChange, ChangeBasket, OpenBasket};
use ledger::{CommandError, Rejection};

/// POST /counter/scan: the first scan starts the slip.
pub(crate) async fn first(State(app): State<App>, here: Here, form: Form) -> Result<Response, Problem> {
    scan(&app, &form, &SaleAt::New(here.channel)).await
}

/// POST /counter/{basket}/scan
pub(crate) async fn next(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    scan(&app, &form, &SaleAt::Open(basket)).await
}

async fn scan(app: &App, form: &Form, sale: &SaleAt) -> Result<Response, Problem> {
    let path = match sale {
        SaleAt::New(_) => "/counter".to_owned(),
        SaleAt::Open(basket) => format!("/counter/{basket}"),
    };
    if form.text("code").is_empty() {
        return Ok(see_other(&path));
    }
    if let Some(code) = ReceiptCode::read(form.text("code")) {
        return receipt(app, form, sale, code).await;
    }
    let change = match read(form) {
        Ok(change) => change,
        Err(rejection) => return redisplay(app, form, sale, rejection, weigh(app, form).await).await,
    };
    let laid = match sale {
        SaleAt::Open(basket) => {
            let change = ChangeBasket { basket: *basket, revision: None, change };
            run_form(app, form, Ok(change)).await?.map(|_| *basket)
        }
        SaleAt::New(here) => {
            let (channel, who) = (place::of_form(app, form, here), form.caller.who.clone());
            run_form(app, form, channel.map(|channel| OpenBasket { channel, first: Some(change), who }))
                .await?
        }
    };
    match laid {
        Ok(basket) => done(app, form, basket).await,
        Err(Wrong::Refused(Rejection::UnknownCode { .. }, _)) if is_word(form.text("code")) => {
            let words = form_urlencoded::byte_serialize(form.text("code").as_bytes()).collect::<String>();
            Ok(see_other(&format!("{path}?find={words}")))
        }
        Err(wrong) => {
            let of_weight =
                matches!(&wrong, Wrong::Refused(Rejection::Invalid { field, .. }, _) if field == "quantity");
            let weigh = if of_weight { weigh(app, form).await } else { None };
            redisplay(app, form, sale, wrong, weigh).await
        }
    }
}

/// A scanned receipt opens its sale; the sale that is being rung up stays open.
async fn receipt(app: &App, form: &Form, sale: &SaleAt, code: ReceiptCode) -> Result<Response, Problem> {
    match app.ledger.sale_by_receipt(code.receipt()).await {
        Ok(found) => Ok(see_other(&format!("/counter/sales/{}", found.id))),
        Err(CommandError::Rejected(_)) => {
            let words =
                format!("there is no receipt {}; scan it again, or search past sales", code.receipt());
            redisplay(app, form, sale, Faults::one("code", words), None).await
        }
        Err(error) => Err(error.into()),
    }
}

fn read(form: &Form) -> Result<BasketChange, Faults> {
    let code = Code::parse(form.text("code")).map_err(|error| Faults::one("code", error.to_string()))?;
    let quantity = match form.text("quantity") {
        "" => None,
        text => Some(Asked::parse(text, None).map_err(|error| Faults::one("quantity", error.to_string()))?),
    };
    Ok(BasketChange::Add { code, quantity })
}

/// Digits alone are a misread code; anything else may be a word to search for.
fn is_word(text: &str) -> bool {
    text.chars().any(char::is_alphabetic)
}

/// The question for the weight of goods by weight.
async fn weigh(app: &App, form: &Form) -> Option<Weigh> {
    let item = app.ledger.item(&Code::parse(form.text("code")).ok()?).await.ok()?;
    let unit = item.stock_unit?;
    let price = format!("{} {}", item.price.shown(), unit.each());
    Some(Weigh { code: item.sku, title: item.text.name, unit: unit.symbol(), price })
}
