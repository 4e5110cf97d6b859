//! PATCH /api/customers/{id}

use super::{expected, or_as_it_is};
use crate::api::answer::Answer;
use crate::api::etag;
use crate::api::items::by_code::patch::RevisionShown;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, ProblemDocument, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use axum::extract::State;
use axum::http::HeaderMap;
use domain::customer::Contact;
use domain::ids::CustomerId;
use ledger::customers::EditCustomer;
use serde::Deserialize;
use utoipa::ToSchema;

/// Changes to a customer; what is left out stays as it is.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct CustomerEditText {
    name: Option<String>,
    email: Option<String>,
    telephone: Option<String>,
    note: Option<String>,
}

impl Body for CustomerEditText {}

/// Changes how a customer can be reached. If-Match must have the `ETag` on which the edit is based.
#[utoipa::path(patch, path = "/api/customers/{id}", tag = "customers", request_body = CustomerEditText,
    params(("id" = String, Path, description = "The customer."),
        ("If-Match" = String, Header, description = "The ETag that the edit is based on"), KeyHeader),
    responses(
        (status = 200, description = "The new revision.", body = RevisionShown, headers(("ETag" = String))),
        (status = 412, description = "stale", body = ProblemDocument, content_type = "application/problem+json"),
        (status = 428, description = "precondition-required", body = ProblemDocument,
            content_type = "application/problem+json"),
        WriteProblems,
    ))]
pub(crate) async fn edit_customer(
    State(app): State<App>,
    PathParam(customer): PathParam<CustomerId>,
    headers: HeaderMap,
    write: Write<CustomerEditText>,
) -> Result<Answer<RevisionShown>, Problem> {
    let basis = etag::basis(&headers)?;
    let is = app.ledger.customer(customer).await?;
    let text = write.body;
    let contact = Contact {
        name: or_as_it_is(text.name, &is.contact.name),
        email: or_as_it_is(text.email, &is.contact.email),
        phone: or_as_it_is(text.telephone, &is.contact.phone),
        note: or_as_it_is(text.note, &is.contact.note),
    };
    let edit = EditCustomer { customer, revision: expected(&is, &basis), contact, who: write.who };
    let done = app.run(&write.key, &edit).await?;
    let tag = etag::of_revision(done.answer);
    Ok(Answer::ok(done.replayed, RevisionShown::of(done.answer)).with_tag(tag))
}
