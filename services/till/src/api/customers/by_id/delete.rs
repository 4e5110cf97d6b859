//! DELETE /api/customers/{id}

use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::WriteNothing;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use axum::extract::State;
use domain::ids::CustomerId;
use ledger::keeping::EraseCustomer;
use serde::Serialize;
use utoipa::ToSchema;

/// Whose data was erased.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ErasedShown {
    id: String,
}

/// Erases a customer's data for good. The books keep their sums. Refused while they owe money, items are on hold
/// for them, or a line of an order of theirs needs attention.
#[utoipa::path(delete, path = "/api/customers/{id}", tag = "customers",
    params(("id" = String, Path, description = "The customer."), KeyHeader),
    responses((status = 200, description = "The data is erased.", body = ErasedShown), WriteProblems))]
pub(crate) async fn erase_customer(
    State(app): State<App>,
    caller: Caller,
    PathParam(customer): PathParam<CustomerId>,
    write: WriteNothing,
) -> Result<Answer<ErasedShown>, Problem> {
    let done = app.run(&write.key, &EraseCustomer { customer, who: caller.who }).await?;
    Ok(Answer::ok(done.replayed, ErasedShown { id: customer.to_string() }))
}
