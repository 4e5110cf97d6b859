//! How making the demo's shop can fail.

use feeds::FeedError;
use ledger::{Rejection, StorageError};
use pretend::PretendError;

/// Why there is no demo.
#[derive(Debug, thiserror::Error)]
pub(crate) enum DemoError {
    /// The database.
    #[error("the demo's shop could not be opened")]
    Open(#[source] StorageError),
    /// Somebody's shop, or a demo that was cut off: it is not written into.
    #[error(
        "{url} holds a shop already, and it is not a finished demo; move that file away, or name another with --db"
    )]
    NotEmpty {
        /// Where.
        url: String,
    },
    /// One of the files that come with the program.
    #[error("the demo's {file} could not be read")]
    File {
        /// Which.
        file: &'static str,
        /// Why.
        #[source]
        source: FeedError,
    },
    /// A row of such a file.
    #[error("the demo's {file}: {why}")]
    Row {
        /// Which file.
        file: &'static str,
        /// Where and why.
        why: String,
    },
    /// An order that the shop did not take.
    #[error("the demo's order {number} was rejected")]
    Order {
        /// Which.
        number: String,
        /// Why.
        #[source]
        source: Box<Rejection>,
    },
    /// The pretend online shop cannot open.
    #[error("the pretend online shop: {0}; --shop-listen says where")]
    Online(#[source] PretendError),
    /// A step of the shop's life.
    #[error("the demo could not {step}")]
    Step {
        /// Which.
        step: &'static str,
        /// Why.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

/// Says which step of the demo an error stopped.
pub(super) trait Doing<T> {
    fn doing(self, step: &'static str) -> Result<T, DemoError>;
}

impl<T, E: std::error::Error + Send + Sync + 'static> Doing<T> for Result<T, E> {
    fn doing(self, step: &'static str) -> Result<T, DemoError> {
        self.map_err(|source| DemoError::Step { step, source: Box::new(source) })
    }
}
