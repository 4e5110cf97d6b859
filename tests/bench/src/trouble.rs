//! What can go wrong while measuring.

use std::io;

/// Why a figure could not be measured.
#[derive(Debug, thiserror::Error)]
pub(crate) enum BenchError {
    /// A file, a pipe or a connection.
    #[error("{what}: {source}")]
    Io {
        /// What was tried.
        what: String,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// The bare SQLite.
    #[error("the bare engine: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// The csv crate.
    #[error("a CSV file: {0}")]
    Csv(#[from] csv::Error),
    /// A program that was started ended badly.
    #[error("{command} ended with {status}: {said}")]
    Ended {
        /// Its command line.
        command: String,
        /// How it ended.
        status: String,
        /// The end of what it said.
        said: String,
    },
    /// A program said or did something that no figure can be made of.
    #[error("{0}")]
    Unexpected(String),
}

/// Names what was tried when the system refuses it.
pub(crate) trait Trying<T> {
    fn trying(self, what: &str) -> Result<T, BenchError>;
}

impl<T> Trying<T> for Result<T, io::Error> {
    fn trying(self, what: &str) -> Result<T, BenchError> {
        self.map_err(|source| BenchError::Io { what: what.to_owned(), source })
    }
}
