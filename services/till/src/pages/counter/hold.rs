//! POST /counter/{basket}/hold, POST /counter/{basket}/discard and POST /counter/holds/{hold}

use crate::app::App;
use crate::pages::counter::place::{self, Here};
use crate::pages::counter::words::Wrong;
use crate::pages::counter::{SaleAt, redisplay, run_form};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::see_other;
use crate::pages::promised::after_hold;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::channel::Channel;
use domain::day::{Day, Moment};
use domain::ids::{BasketId, HoldGroupId};
use ledger::Shop;
use ledger::orders::EndHold;
use ledger::sales::{BasketFromHold, LeaveBasket, SetBasketAside};

/// POST /counter/{basket}/hold: the sale's goods are put on hold for a customer.
pub(crate) async fn hold(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let (revision, for_whom) = (form.text("revision").parse().unwrap_or(0), form.text("forWhom").to_owned());
    let until = until(&form, &app.ledger.shop());
    let command = until.map(|until| SetBasketAside { basket, revision, for_whom, until });
    match run_form(&app, &form, command).await? {
        Ok(_) => Ok(see_other("/counter#on-hold")),
        Err(rejection) => redisplay(&app, &form, &SaleAt::Open(basket), rejection, None).await,
    }
}

/// The end of a day in the shop's zone.
fn until(form: &Form, shop: &Shop) -> Result<Option<Moment>, Faults> {
    if form.text("until").is_empty() {
        return Ok(None);
    }
    let wrong = |error: domain::day::DayError| Faults::one("until", error.to_string());
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
    match run_form(&app, &form, Ok(LeaveBasket { basket })).await? {
        Ok(()) => Ok(see_other("/counter")),
        Err(rejection) => redisplay(&app, &form, &SaleAt::Open(basket), rejection, None).await,
    }
}

/// POST /counter/holds/{hold}: a hold is rung up, or released.
pub(crate) async fn settle(
    State(app): State<App>,
    here: Here,
    PathParam(hold): PathParam<HoldGroupId>,
    form: Form,
) -> Result<Response, Problem> {
    match ring_up_or_release(&app, &form, hold, &here.channel).await? {
        Ok(path) => Ok(see_other(&path)),
        Err(rejection) => redisplay(&app, &form, &SaleAt::New(here.channel), rejection, None).await,
    }
}

/// Where to go on.
async fn ring_up_or_release(
    app: &App,
    form: &Form,
    hold: HoldGroupId,
    here: &Channel,
) -> Result<Result<String, Wrong>, Problem> {
    if form.text("do") == "end" {
        let released = run_form(app, form, Ok(EndHold { id: hold })).await?;
        return match released {
            Ok(_) => after_hold(app, hold, "/counter".to_owned()).await.map(Ok),
            Err(wrong) => Ok(Err(wrong)),
        };
    }
    let (channel, who) = (place::of_form(app, form, here), form.caller.who.clone());
    let command = channel.map(|channel| BasketFromHold { hold, channel, who });
    let rung_up = run_form(app, form, command).await?;
    Ok(rung_up.map(|basket| format!("/counter/{basket}")))
}
