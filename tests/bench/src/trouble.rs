//! What can go wrong while measuring.

use std::io;

/// Why a figure could not be measured.
#[derive(Debug, thiserror::Error)]
pub(crate) enum BenchError {
    /// A file, a pipe or a connection.
    #[error("{what}: {source}")]
    Io {
        what: String,
        #[source]
        source: io::Error,
    },
    #[error("the bare engine: {0}")]
    Sqlite(#[from] rusqlite::Error),
    #[error("a CSV file: {0}")]
    Csv(#[from] csv::Error),
    /// A program that was started failed.
    #[error("{command} ended with {status}: {said}")]
    Ended { command: String, status: String, said: String },
    /// A program printed or did something unexpected, so that there is no figure.
    #[error("{0}")]
    Unexpected(String),
}

/// Says what was tried when the system refuses it.
pub(crate) trait Trying<T> {
    fn trying(self, what: &str) -> Result<T, BenchError>;
}

impl<T> Trying<T> for Result<T, io::Error> {
    fn trying(self, what: &str) -> Result<T, BenchError> {
        self.map_err(|source| BenchError::Io { what: what.to_owned(), source })
    }
}
