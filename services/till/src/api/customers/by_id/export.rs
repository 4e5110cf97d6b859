//! POST /api/customers/{id}/export

use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use axum::Json;
use axum::extract::State;
use domain::ids::CustomerId;
use ledger::keeping::CustomerExport;
use serde::Deserialize;
use utoipa::ToSchema;

/// Nothing more needs to be said.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ExportText {}

impl Body for ExportText {}

/// Everything that is kept about a customer: purchases, payments, balances, holds and orders. The activity log says
/// who took it; the answer is not kept by its key.
#[utoipa::path(post, path = "/api/customers/{id}/export", tag = "customers", request_body = ExportText,
    params(("id" = String, Path, description = "The customer."), KeyHeader),
    responses((status = 200, description = "What is kept.", body = Object), WriteProblems))]
pub(crate) async fn export_customer(
    State(app): State<App>,
    PathParam(customer): PathParam<CustomerId>,
    write: Write<ExportText>,
) -> Result<Json<CustomerExport>, Problem> {
    Ok(Json(app.ledger.export_customer(customer, &write.who).await?))
}
