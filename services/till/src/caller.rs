//! Who asks.

use crate::app::App;
use crate::problem::{Kind, Problem};
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use domain::people::{Act, Role};
use ledger::Actor;

/// What a route asks of whoever calls it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Needs {
    /// Nothing: anybody may.
    Nobody,
    /// Somebody, whatever their role.
    Somebody,
    /// Somebody whose role may do it.
    One(Act),
}

/// Somebody whom the edge has let in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Caller {
    /// What entries, sales and the audit list write down.
    pub(crate) who: String,
    /// What they are to the shop.
    pub(crate) role: Role,
    /// The identifier of a program's token: it may have limits of its own.
    pub(crate) token: Option<String>,
    /// What their forms must bring along, so that no other site's page can send them; empty for
    /// programs, which have no forms.
    pub(crate) form_token: String,
}

impl Caller {
    /// Whether they may do it.
    pub(crate) fn may(&self, act: Act) -> bool {
        self.role.may(act)
    }

    /// As the ledger knows whoever acts, whose limits hold.
    pub(crate) fn actor(&self) -> Actor {
        Actor { who: self.who.clone(), role: self.role, token: self.token.clone() }
    }
}

impl FromRequestParts<App> for Caller {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let caller = parts.extensions.get::<Self>().cloned();
        caller.ok_or_else(|| Problem::new(Kind::Trouble, "a route that needs somebody was reached by nobody"))
    }
}
