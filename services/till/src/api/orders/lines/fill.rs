//! POST /api/orders/{id}/lines/{line}/fill

use super::{DecidedShown, ReasonBody, decide};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::Write;
use crate::request::caller::Caller;
use crate::request::query::OrderLinePath;
use axum::extract::State;
use ledger::orders::LineChoice;

/// Fills the line with what was ordered: from its own hold, or from free stock.
#[utoipa::path(post, path = "/api/orders/{id}/lines/{line}/fill", operation_id = "fill_line", tag = "online",
    params(("id" = String, Path, description = "The order."), ("line" = String, Path, description = "Its line."), KeyHeader),
    request_body = ReasonBody,
    responses((status = 200, description = "What became of the line.", body = DecidedShown), WriteProblems))]
pub(crate) async fn fill_line(
    State(app): State<App>,
    caller: Caller,
    at: OrderLinePath,
    write: Write<ReasonBody>,
) -> Result<Answer<DecidedShown>, Problem> {
    decide(&app, &write.key, at, LineChoice::Fill, write.body.reason, caller.who).await
}
