//! How a command fails: refused by the shop's state, or by trouble with the database.

use crate::store::rejection::Refusal;
use crate::store::storage_error::Trouble;

/// Nothing was changed, unless it says that the outcome is unknown.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The shop's own state or the command's values.
    #[error(transparent)]
    Refused(Box<Refusal>),
    /// The database.
    #[error(transparent)]
    Trouble(#[from] Trouble),
}

impl From<Refusal> for Failure {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(Box::new(refusal))
    }
}

impl From<sqlx::Error> for Failure {
    fn from(error: sqlx::Error) -> Self {
        Self::Trouble(error.into())
    }
}

impl Failure {
    /// The refusal, if it is one.
    pub fn refusal(&self) -> Option<&Refusal> {
        match self {
            Self::Refused(refusal) => Some(refusal),
            Self::Trouble(_) => None,
        }
    }
}

/// Turns a domain error about a command's value into a refusal that names the field.
pub(crate) trait Naming<T> {
    fn field(self, field: &str) -> Result<T, Failure>;
}

impl<T, E: std::fmt::Display> Naming<T> for Result<T, E> {
    fn field(self, field: &str) -> Result<T, Failure> {
        self.map_err(|e| Refusal::invalid(field, e).into())
    }
}

/// Turns a domain error about a stored value into trouble: the database should not hold it.
pub(crate) trait Stored<T> {
    fn stored(self, what: &str) -> Result<T, Failure>;
}

impl<T, E: std::fmt::Display> Stored<T> for Result<T, E> {
    fn stored(self, what: &str) -> Result<T, Failure> {
        self.map_err(|e| Trouble::impossible(format!("{what}: {e}")).into())
    }
}
