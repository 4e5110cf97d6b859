//! Who asks.

use crate::problem::{Kind, Problem};
use crate::traffic::limits::CallerKind;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use domain::ids::{PersonId, SessionId};
use domain::people::{Permission, Role};
use ledger::Actor;
use ledger::people::By;

/// Who may take a route.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Access {
    /// Anybody.
    Public,
    /// A person or a program that we know, whatever its role.
    Authenticated,
    /// A person, signed in by password.
    Password,
    /// A person who, to change something, has given their password within the last minutes.
    Confirmed,
    /// Whoever has this permission.
    With(Permission),
}

impl Access {
    /// Whether a change asks for the password again, if it was not given just now.
    pub(crate) fn needs_confirmation(self) -> bool {
        match self {
            Self::Public | Self::Authenticated | Self::Password => false,
            Self::Confirmed => true,
            Self::With(permission) => permission.needs_confirmation(),
        }
    }
}

/// The person in whose session a request was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Person {
    pub(crate) id: PersonId,
    pub(crate) session: SessionId,
    /// How they signed in.
    pub(crate) by: By,
    /// Whether they have given their password within the last minutes.
    pub(crate) is_fresh: bool,
    /// How long the session still lasts at most.
    pub(crate) lasts_seconds: i64,
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
    /// The person; a program is none.
    pub(crate) person: Option<Person>,
}

impl Caller {
    /// Whose gate they come by: a program has no forms.
    pub(crate) fn kind(&self) -> CallerKind {
        if self.form_token.is_empty() { CallerKind::Program } else { CallerKind::Person }
    }

    /// Whether they may do it.
    pub(crate) fn may(&self, permission: Permission) -> bool {
        self.role.may(permission)
            && (!self.is_by_pin() || permission.by_pin())
            && (self.person.is_some() || permission.by_program())
    }

    /// Whether a PIN opened their session.
    pub(crate) fn is_by_pin(&self) -> bool {
        self.person.is_some_and(|person| person.by == By::Pin)
    }

    /// The person; a program is refused.
    pub(crate) fn person(&self) -> Result<Person, Problem> {
        self.person.ok_or_else(|| {
            Problem::new(Kind::NotAllowed, "a program has no account; only a person can do this")
        })
    }

    /// As the ledger knows whoever acts, whose limits hold.
    pub(crate) fn actor(&self) -> Actor {
        Actor { who: self.who.clone(), role: self.role, token: self.token.clone() }
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Caller {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let caller = parts.extensions.get::<Self>().cloned();
        caller.ok_or_else(|| {
            Problem::new(Kind::StorageError, "a route that needs somebody was reached by nobody")
        })
    }
}
