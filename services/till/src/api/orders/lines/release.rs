//! POST /api/orders/{id}/lines/{line}/release

use super::{DecidedShown, decide};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::caller::Caller;
use crate::request::query::OrderLinePath;
use crate::request::values;
use axum::extract::State;
use ledger::orders::LineChoice;
use serde::Deserialize;
use utoipa::ToSchema;

/// The hold to take from, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ReleaseBody {
    /// The hold's id from /api/holds.
    hold: String,
    /// Why it is taken from the person it is held for.
    reason: String,
}

impl Body for ReleaseBody {}

/// Fills the line from a hold that blocks it. The rest of the hold stays on hold. The hold of a sale that is
/// being paid cannot be used.
#[utoipa::path(post, path = "/api/orders/{id}/lines/{line}/release", tag = "online",
    params(("id" = String, Path, description = "The order."), ("line" = String, Path, description = "Its line."), KeyHeader),
    request_body = ReleaseBody,
    responses((status = 200, description = "What became of the line.", body = DecidedShown), WriteProblems))]
pub(crate) async fn release_line(
    State(app): State<App>,
    caller: Caller,
    at: OrderLinePath,
    write: Write<ReleaseBody>,
) -> Result<Answer<DecidedShown>, Problem> {
    let hold = values::id(&write.body.hold, "#/hold")?;
    decide(&app, &write.key, at, LineChoice::Release(hold), Some(write.body.reason), caller.who).await
}
