//! POST /customers/{id}/export

use crate::app::App;
use crate::pages::form::Form;
use crate::problem::{Kind, Problem};
use crate::request::query::PathParam;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use domain::ids::CustomerId;

/// POST /customers/{id}/export: everything that is kept about a customer, as a file.
pub(crate) async fn download(
    State(app): State<App>,
    PathParam(id): PathParam<CustomerId>,
    form: Form,
) -> Result<Response, Problem> {
    let export = app.ledger.export_customer(id, &form.caller.who).await?;
    let text = serde_json::to_string_pretty(&export).map_err(|error| {
        Problem::new(Kind::StorageError, "the export could not be written").because(&error)
    })?;
    let day = app.ledger.shop().zone.day_of(app.ledger.now());
    // Without the name: the file may lie around.
    let name = format!("attachment; filename=\"customer-{id}-{day}.json\"");
    let headers =
        [(header::CONTENT_TYPE, "application/json".to_owned()), (header::CONTENT_DISPOSITION, name)];
    Ok((headers, text).into_response())
}
