//! The room Counter: slips that are filled and paid, past sales, unpaid sales, the drawer.
//!
//! The ledger keeps the slips; every form here names one, and works without scripts. A script requests only the
//! slip (the field `part`) and replaces the one on the page.

mod balances;
mod certificates;
mod custom_order;
mod custom_orders;
mod customer;
mod deposits;
mod drawer;
mod events;
mod hold;
mod lines;
mod mail_draft;
mod past_sales;
mod pay;
mod place;
mod print;
pub(crate) mod receipt;
mod receipt_text;
mod refund;
mod refund_slip;
mod room;
mod sale;
mod scan;
mod slip;
mod slip_text;
#[cfg(test)]
mod tests;
mod undo;
mod words;

use crate::app::App;
use crate::pages::approval;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::see_other;
use crate::problem::Problem;
use crate::request::caller::Access;
use crate::request::route::Route;
use axum::response::Response;
use domain::channel::Channel;
use domain::ids::BasketId;
use domain::people::Permission;
use ledger::{Command, Rejection};
use words::Wrong;

pub(crate) fn routes() -> Vec<Route> {
    let sell = Access::With(Permission::Sell);
    let find = Access::With(Permission::Customers);
    let give_back = Access::With(Permission::GiveBack);
    let keep = Access::With(Permission::KeepDrawer);
    let run = Access::With(Permission::Run);
    let mut routes = of_promises(sell, find, give_back, run);
    routes.extend([
        Route::get("/counter", sell, room::room),
        Route::post("/counter/channel", sell, place::switch),
        Route::post("/counter/scan", sell, scan::first),
        Route::post("/counter/paper", sell, lines::first_paper),
        Route::get("/counter/customer", find, customer::first_page),
        Route::post("/counter/customer", find, customer::choose_first),
        Route::post("/counter/customer/new", find, customer::add_first),
        Route::get("/counter/{basket}/customer", find, customer::page),
        Route::post("/counter/{basket}/customer", find, customer::choose),
        Route::post("/counter/{basket}/customer/new", find, customer::add),
        Route::get("/counter/{basket}", sell, room::at_slip),
        Route::get("/counter/{basket}/slip", sell, slip::alone),
        Route::get("/counter/{basket}/events", sell, events::events),
        Route::post("/counter/{basket}/scan", sell, scan::next),
        Route::post("/counter/{basket}/channel", sell, place::move_sale),
        Route::post("/counter/{basket}/line", sell, lines::line),
        Route::post("/counter/{basket}/undo", sell, undo::undo),
        Route::post("/counter/{basket}/paper", sell, lines::paper),
        Route::post("/counter/{basket}/hold", sell, hold::hold),
        Route::post("/counter/{basket}/discard", sell, hold::discard),
        Route::post("/counter/holds/{hold}", sell, hold::settle),
        Route::get("/counter/{basket}/pay", sell, pay::page),
        Route::post("/counter/{basket}/pay", sell, pay::hold),
        Route::post("/counter/{basket}/tender", sell, pay::take),
        Route::post("/counter/{basket}/cancel-payment", sell, pay::cancel),
        Route::get("/counter/sales", sell, past_sales::list),
        Route::get("/counter/sales/{sale}", sell, sale::one),
        Route::get("/counter/sales/{sale}/receipt.txt", sell, receipt_text::file),
        Route::get("/counter/sales/{sale}/print", sell, print::page),
        Route::get("/counter/refunds/{refund}", sell, refund_slip::page),
        Route::get("/counter/refunds/{refund}/slip.txt", sell, refund_slip::file),
        Route::post("/counter/sales/{sale}/void", give_back, sale::void),
        Route::get("/counter/sales/{sale}/refund", give_back, refund::page),
        Route::post("/counter/sales/{sale}/refund", give_back, refund::refund),
        Route::get("/counter/balances", sell, balances::list),
        Route::post("/counter/balances/{tender}", sell, balances::pay),
        Route::get("/counter/certificates", sell, certificates::list),
        Route::post("/counter/certificates", run, certificates::bring_in),
        Route::get("/counter/certificates/{account}", sell, certificates::one),
        Route::get("/counter/certificates/{account}/print", sell, certificates::print),
        Route::post("/counter/certificates/{account}/number", run, certificates::renumber),
        Route::post("/counter/certificates/{account}/end", run, certificates::end),
        Route::get("/counter/drawer", keep, drawer::page),
        Route::post("/counter/drawer", keep, drawer::open),
        Route::get("/counter/drawer/{turn}", keep, drawer::turn),
        Route::post("/counter/drawer/{turn}/cash", keep, drawer::cash),
        Route::post("/counter/drawer/{turn}/close", keep, drawer::close),
    ]);
    routes
}

/// Custom orders and deposits.
fn of_promises(sell: Access, find: Access, give_back: Access, run: Access) -> Vec<Route> {
    vec![
        Route::get("/counter/custom-orders", sell, custom_orders::list),
        Route::get("/counter/custom-orders/new", find, custom_orders::new),
        Route::post("/counter/custom-orders", find, custom_orders::take),
        Route::get("/counter/custom-orders/{order}", sell, custom_order::page),
        Route::post("/counter/custom-orders/{order}/deposit", sell, custom_order::deposit),
        Route::post("/counter/custom-orders/{order}/hold", sell, custom_order::hold),
        Route::post("/counter/custom-orders/{order}/reopen", sell, custom_order::reopen),
        Route::post("/counter/custom-orders/{order}/cancel", sell, custom_order::cancel),
        Route::get("/counter/deposits", sell, deposits::list),
        Route::get("/counter/deposits/{deposit}", sell, deposits::one),
        Route::post("/counter/deposits/{deposit}/refund", give_back, deposits::refund),
        Route::post("/counter/deposits/{deposit}/forfeit", run, deposits::forfeit),
        Route::get("/counter/holds/{hold}/deposit", sell, deposits::of_hold),
        Route::post("/counter/holds/{hold}/deposit", sell, deposits::take),
    ]
}

/// Runs a form's command; a refusal is shown on the page.
async fn run_form<C: Command>(
    app: &App,
    form: &Form,
    command: Result<C, Faults>,
) -> Result<Result<C::Answer, Wrong>, Problem> {
    let command = match command {
        Ok(command) => command,
        Err(faults) => return Ok(Err(Wrong::Typed(faults))),
    };
    match app.ledger.answer(Some(&form.key), &command).await?.answer {
        // The first of two requests is still running: the second is asked to try again.
        Err(rejection @ Rejection::StillRunning) => Err(rejection.into()),
        Err(rejection) => {
            let ask = approval::ask(app, form, &rejection).await?;
            Ok(Err(Wrong::Refused(rejection, ask)))
        }
        Ok(answer) => Ok(Ok(answer)),
    }
}

/// The sale that a form is about: none yet, at the channel where its device sells, or an open one.
enum SaleAt {
    New(Channel),
    Open(BasketId),
}

/// Answers a form that succeeded: redirects to the slip, or returns only the slip for a script.
async fn done(app: &App, form: &Form, basket: BasketId) -> Result<Response, Problem> {
    if !form.has("part") {
        return Ok(see_other(&format!("/counter/{basket}")));
    }
    Ok(match slip::read(app, &form.caller, basket).await? {
        Ok(slip) => slip::answer(app, &form.caller, slip),
        Err(elsewhere) => elsewhere,
    })
}

/// Answers a form by what came of it: on to the sale, or the sale again with what is wrong.
async fn answer(
    app: &App,
    form: &Form,
    sale: &SaleAt,
    outcome: Result<BasketId, Wrong>,
) -> Result<Response, Problem> {
    match outcome {
        Ok(basket) => done(app, form, basket).await,
        Err(wrong) => redisplay(app, form, sale, wrong, None).await,
    }
}

/// Shows the slip again after a form was refused, with the faults.
async fn redisplay(
    app: &App,
    form: &Form,
    sale: &SaleAt,
    wrong: impl Into<Wrong>,
    weigh: Option<slip::Weigh>,
) -> Result<Response, Problem> {
    let mut slip = match sale {
        SaleAt::New(here) => {
            let channel = place::of_page(app, form, here).await?;
            let ribbon = place::Ribbon::of(app, &form.caller, &channel).await?;
            slip::Slip::empty(&app.ledger.shop(), ribbon)
        }
        SaleAt::Open(basket) => match slip::read(app, &form.caller, *basket).await? {
            Ok(slip) => slip,
            Err(elsewhere) => return Ok(elsewhere),
        },
    };
    // Asking for the weight is not a fault.
    if weigh.is_none() || !form.text("quantity").is_empty() {
        slip.faults = wrong.into().faults(app);
        slip.typed = slip::Typed::of(form);
    }
    slip.weigh = weigh;
    if form.has("part") {
        return Ok(slip::answer(app, &form.caller, slip));
    }
    let page = room::Page::around(app, &form.caller, slip, form.text("code"), room::Query::default());
    Ok(page.await?.answer())
}
