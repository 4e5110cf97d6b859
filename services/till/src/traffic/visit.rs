//! Where a request came from, as handlers see it.

use crate::problem::{Kind, Problem};
use crate::traffic::client_address::ClientAddress;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;

/// The name by which a request came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Via {
    /// A loopback name: a browser or program on this machine.
    Machine,
    /// The site's own name, over https.
    Site,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Visit {
    /// The host name under which the shop was reached.
    pub(crate) via: Via,
    /// The client's address: the one that limits, throttles and logs use.
    pub(crate) address: ClientAddress,
    /// Whether it certainly comes from this machine: under its own name, and through no proxy.
    pub(crate) is_here: bool,
}

impl<S: Send + Sync> FromRequestParts<S> for Visit {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let visit = parts.extensions.get::<Self>().copied();
        visit.ok_or_else(|| Problem::new(Kind::StorageError, "a request came past the edge"))
    }
}
