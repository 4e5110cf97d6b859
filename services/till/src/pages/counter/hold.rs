//! POST /counter/{basket}/hold, POST /counter/{basket}/discard and POST /counter/holds/{hold}

use crate::app::App;
use crate::pages::counter::room::channel_of;
use crate::pages::counter::{redisplay, run_form};
use crate::pages::form::Form;
use crate::pages::frame::see_other;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::day::{Day, Moment};
use domain::ids::{BasketId, HoldGroupId};
use ledger::orders::EndHold;
use ledger::sales::{BasketFromHold, LeaveBasket, SetBasketAside};
use ledger::{Rejection, Shop};

/// POST /counter/{basket}/hold: the sale's goods are put on hold for a customer.
pub(crate) async fn hold(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let until = match until(&form, &app.ledger.shop()) {
        Ok(until) => until,
        Err(rejection) => return redisplay(&app, &form, Some(basket), &rejection, None).await,
    };
    let revision = form.text("revision").parse().unwrap_or(0);
    let command = SetBasketAside { basket, revision, for_whom: form.text("forWhom").to_owned(), until };
    match run_form(&app, &form, &command).await? {
        Ok(_) => Ok(see_other("/counter#on-hold")),
        Err(rejection) => redisplay(&app, &form, Some(basket), &rejection, None).await,
    }
}

/// To the end of a day in the shop's zone.
fn until(form: &Form, shop: &Shop) -> Result<Option<Moment>, Rejection> {
    if form.text("until").is_empty() {
        return Ok(None);
    }
    let wrong = |error: domain::day::DayError| Rejection::invalid("until", error);
    let day = Day::parse(form.text("until")).map_err(wrong)?;
    let noon = shop.zone.read(&day.to_string()).map_err(wrong)?;
    Ok(Some(shop.zone.end_of_day(noon)))
}

/// POST /counter/{basket}/discard: the sale is discarded.
pub(crate) async fn discard(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    match run_form(&app, &form, &LeaveBasket { basket }).await? {
        Ok(()) => Ok(see_other("/counter")),
        Err(rejection) => redisplay(&app, &form, Some(basket), &rejection, None).await,
    }
}

/// POST /counter/holds/{hold}: a hold is rung up, or released.
pub(crate) async fn settle(
    State(app): State<App>,
    PathParam(hold): PathParam<HoldGroupId>,
    form: Form,
) -> Result<Response, Problem> {
    if form.text("do") == "end" {
        return match run_form(&app, &form, &EndHold { id: hold }).await? {
            Ok(_) => Ok(see_other("/counter")),
            Err(rejection) => redisplay(&app, &form, None, &rejection, None).await,
        };
    }
    let channel = channel_of(form.text("channel"));
    let command = BasketFromHold { hold, channel, who: form.caller.who.clone() };
    match run_form(&app, &form, &command).await? {
        Ok(basket) => Ok(see_other(&format!("/counter/{basket}"))),
        Err(rejection) => redisplay(&app, &form, None, &rejection, None).await,
    }
}
