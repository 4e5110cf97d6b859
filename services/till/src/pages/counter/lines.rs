//! POST /counter/{basket}/line, POST /counter/paper and POST /counter/{basket}/paper

use crate::app::App;
use crate::pages::counter::place::{self, Here};
use crate::pages::counter::{SaleAt, answer, run_form};
use crate::pages::form::{Faults, Form};
use crate::problem::Problem;
use crate::request::query::PathParam;
use crate::security::random;
use axum::extract::State;
use axum::response::Response;
use domain::basket::LineKind;
use domain::discount::Off;
use domain::ids::BasketId;
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use ledger::sales::{BasketChange, ChangeBasket, NewCertificate, OpenBasket};

/// The form's default for the name on the receipt.
const GIFT_CERTIFICATE: &str = "Gift certificate";

/// POST /counter/{basket}/line: changes a line's quantity or discount or the discount on the sale, or removes a
/// line.
pub(crate) async fn line(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let revision = form.text("revision").parse().ok();
    let change = read(&form, app.ledger.shop().currency);
    let command = change.map(|change| ChangeBasket { basket, revision, change });
    let outcome = run_form(&app, &form, command).await?;
    answer(&app, &form, &SaleAt::Open(basket), outcome.map(|_| basket)).await
}

fn read(form: &Form, currency: Currency) -> Result<BasketChange, Faults> {
    let off = match form.text("off") {
        "" => None,
        text => Some(Off::parse(text, currency).map_err(|error| Faults::one("off", error.to_string()))?),
    };
    let reason = form.text("reason").to_owned();
    if form.text("do") == "whole" {
        return Ok(BasketChange::Discount { off, reason });
    }
    let gone = |_| Faults::one("", "this line is no longer in the sale");
    let line = form.text("line").parse().map_err(gone)?;
    if form.text("do") == "remove" {
        return Ok(BasketChange::Remove { line });
    }
    let quantity = match form.text("quantity") {
        "" => None,
        text => Some(Asked::parse(text, None).map_err(|error| Faults::one("quantity", error.to_string()))?),
    };
    Ok(BasketChange::Line { line, quantity, off, reason })
}

/// POST /counter/paper: a gift certificate starts the slip.
pub(crate) async fn first_paper(State(app): State<App>, here: Here, form: Form) -> Result<Response, Problem> {
    let (channel, who) = (place::of_form(&app, &form, &here.channel), form.caller.who.clone());
    let change = read_paper(&form, app.ledger.shop().currency);
    let command = channel.and_then(|channel| Ok(OpenBasket { channel, first: Some(change?), who }));
    let outcome = run_form(&app, &form, command).await?;
    answer(&app, &form, &SaleAt::New(here.channel), outcome).await
}

/// POST /counter/{basket}/paper
pub(crate) async fn paper(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let change = read_paper(&form, app.ledger.shop().currency);
    let command = change.map(|change| ChangeBasket { basket, revision: None, change });
    let outcome = run_form(&app, &form, command).await?;
    answer(&app, &form, &SaleAt::Open(basket), outcome.map(|_| basket)).await
}

fn read_paper(form: &Form, currency: Currency) -> Result<BasketChange, Faults> {
    let amount =
        Money::parse(form.text("amount"), currency).map_err(|e| Faults::one("amount", e.to_string()))?;
    let title = match form.text("title") {
        "" => GIFT_CERTIFICATE,
        title => title,
    };
    let certificate = NewCertificate {
        number: random::certificate_number(),
        holder: form.text("holder").to_owned(),
        on_file: None,
    };
    let (kind, title) = (LineKind::GiftCertificate, title.to_owned());
    Ok(BasketChange::AddPaper { kind, title, amount, certificate: Some(certificate) })
}
