//! How a command fails: rejected because of the shop's state, or stopped by a problem with the
//! database.

use crate::store::rejection::{Reason, Rejection};
use crate::store::storage_error::StorageError;

/// Nothing was changed, unless the error says that the outcome is unknown.
#[derive(Debug, thiserror::Error)]
pub enum CommandError {
    /// Rejected because of the shop's state or the command's values.
    #[error(transparent)]
    Rejected(Box<Rejection>),
    /// A problem with the database.
    #[error(transparent)]
    Storage(#[from] StorageError),
}

impl From<Rejection> for CommandError {
    fn from(rejection: Rejection) -> Self {
        Self::Rejected(Box::new(rejection))
    }
}

impl From<sqlx::Error> for CommandError {
    fn from(error: sqlx::Error) -> Self {
        Self::Storage(error.into())
    }
}

impl CommandError {
    /// The refusal, if it is one.
    pub fn rejection(&self) -> Option<&Rejection> {
        match self {
            Self::Rejected(rejection) => Some(rejection),
            Self::Storage(_) => None,
        }
    }
}

/// Turns a domain error about a command's value into a rejection that names the field.
pub(crate) trait Naming<T> {
    /// As a refusal.
    fn named(self, field: &str) -> Result<T, Rejection>;
    /// As a command's failure.
    fn field(self, field: &str) -> Result<T, CommandError>;
}

impl<T, E: Into<Reason>> Naming<T> for Result<T, E> {
    fn named(self, field: &str) -> Result<T, Rejection> {
        self.map_err(|e| Rejection::invalid(field, e))
    }

    fn field(self, field: &str) -> Result<T, CommandError> {
        Ok(self.named(field)?)
    }
}

/// Turns a domain error about a stored value into a storage error: the database should not contain it.
pub(crate) trait Stored<T> {
    fn stored(self, what: &str) -> Result<T, CommandError>;
}

impl<T, E: std::fmt::Display> Stored<T> for Result<T, E> {
    fn stored(self, what: &str) -> Result<T, CommandError> {
        self.map_err(|e| StorageError::impossible(format!("{what}: {e}")).into())
    }
}
