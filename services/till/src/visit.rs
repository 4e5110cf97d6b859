//! How a request came, as handlers see it.

use crate::app::App;
use crate::client_address::ClientAddress;
use crate::guard::Via;
use crate::problem::{Kind, Problem};
use axum::extract::FromRequestParts;
use axum::http::request::Parts;

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

impl FromRequestParts<App> for Visit {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let visit = parts.extensions.get::<Self>().copied();
        visit.ok_or_else(|| Problem::new(Kind::StorageError, "a request came past the edge"))
    }
}
