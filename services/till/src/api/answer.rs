//! Successful answers.

use crate::problem::REPLAYED;
use axum::Json;
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

/// The answer to a write: the same status and body each time its key comes again.
#[derive(Debug)]
pub(crate) struct Answer<T> {
    status: StatusCode,
    replayed: bool,
    header: Option<(HeaderName, String)>,
    body: T,
}

impl<T> Answer<T> {
    pub(crate) fn new(status: StatusCode, replayed: bool, body: T) -> Self {
        Self { status, replayed, header: None, body }
    }

    pub(crate) fn ok(replayed: bool, body: T) -> Self {
        Self::new(StatusCode::OK, replayed, body)
    }

    /// Something new exists at `place`.
    pub(crate) fn created(replayed: bool, place: String, body: T) -> Self {
        Self { header: Some((header::LOCATION, place)), ..Self::new(StatusCode::CREATED, replayed, body) }
    }

    /// Adds the entity tag of its current state.
    pub(crate) fn with_tag(self, tag: String) -> Self {
        Self { header: Some((header::ETAG, tag)), ..self }
    }
}

impl<T: Serialize> IntoResponse for Answer<T> {
    fn into_response(self) -> Response {
        let mut response = (self.status, Json(self.body)).into_response();
        if let Some((name, value)) = self.header
            && let Ok(value) = HeaderValue::try_from(value)
        {
            response.headers_mut().insert(name, value);
        }
        if self.replayed {
            response.headers_mut().insert(REPLAYED, HeaderValue::from_static("true"));
        }
        response
    }
}
