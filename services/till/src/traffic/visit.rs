//! How a request came, as handlers see it.

use crate::problem::{Kind, Problem};
use crate::traffic::client_address::ClientAddress;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;

/// By which name a request came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Via {
    /// A loopback name: a browser or program on this machine.
    Machine,
    /// The site's own name, over https.
    Site,
}

/// How a request came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Visit {
    /// By which name.
    pub(crate) via: Via,
    /// From which address: the one answer that limits, throttles and logs use.
    pub(crate) address: ClientAddress,
    /// Whether it is surely from this machine, by its own name, and through no proxy.
    pub(crate) is_here: bool,
}

impl<S: Send + Sync> FromRequestParts<S> for Visit {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let visit = parts.extensions.get::<Self>().copied();
        visit.ok_or_else(|| Problem::new(Kind::StorageError, "a request came past the edge"))
    }
}
