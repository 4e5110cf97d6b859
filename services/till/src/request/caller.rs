//! Who is asking.

use crate::problem::{Kind, Problem};
use crate::traffic::limits::CallerKind;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use domain::ids::{PersonId, SessionId};
use domain::people::{Permission, Role};
use ledger::Actor;
use ledger::people::By;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Access {
    Public,
    /// Any known person or program, whatever the role.
    Authenticated,
    /// A person who signed in with a password.
    Password,
    /// A person who, to change something, entered their password a few minutes ago.
    Confirmed,
    /// Whoever has this permission.
    With(Permission),
}

impl Access {
    /// Whether a change asks for the password again, if it was not entered recently.
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
    pub(crate) by: By,
    /// Whether they entered their password a few minutes ago.
    pub(crate) is_fresh: bool,
    /// How many seconds the session may still last.
    pub(crate) lasts_seconds: i64,
}

/// Somebody whom the edge has let in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Caller {
    /// The name for entries, sales and the activity log.
    pub(crate) who: String,
    /// What they are to the shop.
    pub(crate) role: Role,
    /// The identifier of a program's token, which may have limits of its own.
    pub(crate) token: Option<String>,
    /// What their forms must contain, so that no other site's page can send them; empty for programs, which
    /// have no forms.
    pub(crate) form_token: String,
    /// None for a program.
    pub(crate) person: Option<Person>,
}

impl Caller {
    /// Which gate they use: a program has no forms.
    pub(crate) fn kind(&self) -> CallerKind {
        if self.form_token.is_empty() { CallerKind::Program } else { CallerKind::Person }
    }

    pub(crate) fn may(&self, permission: Permission) -> bool {
        self.role.may(permission)
            && (!self.is_by_pin() || permission.by_pin())
            && (self.person.is_some() || permission.by_program())
    }

    /// Whether a PIN opened their session.
    pub(crate) fn is_by_pin(&self) -> bool {
        self.person.is_some_and(|person| person.by == By::Pin)
    }

    /// The person; an error for a program.
    pub(crate) fn person(&self) -> Result<Person, Problem> {
        self.person.ok_or_else(|| {
            Problem::new(Kind::NotAllowed, "a program has no account; only a person can do this")
        })
    }

    /// For the ledger, which checks the limits of whoever is acting.
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
