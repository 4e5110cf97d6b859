//! POST /api/orders/{id}/lines/{line}/refund

use super::{DecidedShown, ReasonBody, decide};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::Write;
use crate::request::caller::Caller;
use crate::request::query::OrderLinePath;
use axum::extract::State;
use ledger::orders::LineChoice;

/// Marks the line's money as refunded, outside the books, because it was never in them. Shipping is refunded
/// with the last line, if nothing of the order was sold.
#[utoipa::path(post, path = "/api/orders/{id}/lines/{line}/refund", operation_id = "refund_line", tag = "online",
    params(("id" = String, Path, description = "The order."), ("line" = String, Path, description = "Its line."), KeyHeader),
    request_body = ReasonBody,
    responses((status = 200, description = "What became of the line.", body = DecidedShown), WriteProblems))]
pub(crate) async fn refund_line(
    State(app): State<App>,
    caller: Caller,
    at: OrderLinePath,
    write: Write<ReasonBody>,
) -> Result<Answer<DecidedShown>, Problem> {
    decide(&app, &write.key, at, LineChoice::Refund, write.body.reason, caller.who).await
}
