//! PATCH /api/customers/{id}/terms

use super::expected;
use crate::api::answer::Answer;
use crate::api::etag;
use crate::api::items::by_code::patch::RevisionShown;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, ProblemDocument, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values;
use axum::extract::State;
use axum::http::HeaderMap;
use domain::customer::{BasisPoints, Exemption, Terms};
use domain::ids::CustomerId;
use ledger::customers::SetTerms;
use serde::Deserialize;
use utoipa::ToSchema;

/// Changes to a customer's terms; what is left out stays as it is.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct TermsText {
    wholesale: Option<bool>,
    /// The number of the certificate by which no sales tax is charged; empty to end the exemption.
    certificate: Option<String>,
    /// The last day on which the certificate must be kept; required with a certificate.
    keep_until: Option<String>,
    /// In percent; empty for none.
    default_discount: Option<String>,
}

impl Body for TermsText {}

impl TermsText {
    fn read(self, is: Terms) -> Result<Terms, Problem> {
        let discount = match self.default_discount.as_deref().map(str::trim) {
            None => is.discount,
            Some("") => None,
            Some(text) => {
                let wrong = |error| Problem::invalid("#/defaultDiscount", error);
                Some(BasisPoints::parse(text).map_err(wrong)?)
            }
        };
        let (was, until) = is.exemption.map(|e| (e.certificate, e.keep_until)).unzip();
        let keep_until = match self.keep_until.as_deref() {
            Some(text) => Some(values::day(text, "#/keepUntil")?),
            None => until,
        };
        let certificate = self.certificate.or(was).filter(|number| !number.trim().is_empty());
        let exemption = match (certificate, keep_until) {
            (Some(certificate), Some(keep_until)) => Some(Exemption { certificate, keep_until }),
            (Some(_), None) => {
                return Err(Problem::invalid("#/keepUntil", "say until when the certificate must be kept"));
            }
            (None, _) => None,
        };
        Ok(Terms { wholesale: self.wholesale.unwrap_or(is.wholesale), exemption, discount })
    }
}

/// Changes the terms on which a customer buys. If-Match must have the `ETag` on which the edit is based.
#[utoipa::path(patch, path = "/api/customers/{id}/terms", tag = "customers", request_body = TermsText,
    params(("id" = String, Path, description = "The customer."),
        ("If-Match" = String, Header, description = "The ETag that the edit is based on"), KeyHeader),
    responses(
        (status = 200, description = "The new revision.", body = RevisionShown, headers(("ETag" = String))),
        (status = 412, description = "stale", body = ProblemDocument, content_type = "application/problem+json"),
        (status = 428, description = "precondition-required", body = ProblemDocument,
            content_type = "application/problem+json"),
        WriteProblems,
    ))]
pub(crate) async fn set_terms(
    State(app): State<App>,
    PathParam(customer): PathParam<CustomerId>,
    headers: HeaderMap,
    write: Write<TermsText>,
) -> Result<Answer<RevisionShown>, Problem> {
    let basis = etag::basis(&headers)?;
    let is = app.ledger.customer(customer).await?;
    let revision = expected(&is, &basis);
    let set = SetTerms { customer, revision, terms: write.body.read(is.terms)?, who: write.who };
    let done = app.run(&write.key, &set).await?;
    let tag = etag::of_revision(done.answer);
    Ok(Answer::ok(done.replayed, RevisionShown::of(done.answer)).with_tag(tag))
}
