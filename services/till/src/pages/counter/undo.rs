//! POST /counter/{basket}/undo: undoes the last change to the sale that the page shows.

use crate::app::App;
use crate::pages::counter::{SaleAt, answer, run_form};
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::ids::BasketId;
use ledger::sales::{UndoBasket, Undone, UndoneWhat};

/// POST /counter/{basket}/undo
pub(crate) async fn undo(
    State(app): State<App>,
    PathParam(basket): PathParam<BasketId>,
    form: Form,
) -> Result<Response, Problem> {
    let revision = form.text("revision").parse().unwrap_or(0);
    let outcome = run_form(&app, &form, Ok(UndoBasket { basket, revision })).await?;
    answer(&app, &form, &SaleAt::Open(basket), outcome.map(|_| basket)).await
}

/// What was undone, for whoever pressed it.
pub(crate) fn words(undone: &Undone) -> String {
    let title = &undone.title;
    match undone.what {
        UndoneWhat::Removed => format!("Undone: removed {title}."),
        UndoneWhat::PutBack => format!("Undone: {title} is back in the sale."),
        UndoneWhat::Quantity => format!("Undone: {title} has its earlier quantity."),
        UndoneWhat::LineDiscount => format!("Undone: the discount on {title} is as it was before."),
        UndoneWhat::Discount => "Undone: the discount on the sale is as it was before.".to_owned(),
        UndoneWhat::Customer => "Undone: the customer is as before.".to_owned(),
        UndoneWhat::Channel => "Undone: the sale is where it was before.".to_owned(),
        UndoneWhat::Nothing => "Undone.".to_owned(),
    }
}
