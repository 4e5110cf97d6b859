//! GET /api/customers/{id}

use crate::api::customers::CustomerShown;
use crate::api::etag;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::PathParam;
use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use domain::ids::CustomerId;

/// A customer with their terms. The `ETag` is the revision in quotes.
#[utoipa::path(get, path = "/api/customers/{id}", tag = "customers",
    params(("id" = String, Path, description = "The customer."),
        ("If-None-Match" = Option<String>, Header, description = "ETags that are known")),
    responses((status = 200, description = "The customer.", body = CustomerShown, headers(("ETag" = String))),
        (status = 304, description = "It is still that of a given tag."), ReadProblems))]
pub(crate) async fn read_customer(
    State(app): State<App>,
    PathParam(id): PathParam<CustomerId>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let customer = app.ledger.customer(id).await?;
    let tag = [(header::ETAG, etag::of_revision(customer.revision))];
    if etag::is_known(&headers, customer.revision)? {
        return Ok((StatusCode::NOT_MODIFIED, tag).into_response());
    }
    Ok((tag, Json(CustomerShown::from(customer))).into_response())
}
