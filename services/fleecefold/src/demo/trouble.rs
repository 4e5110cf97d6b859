use feeds::FeedError;
use jiff::civil::Date;
use ledger::{Rejection, StorageError};
use pretend::PretendError;

/// Why the demo could not be made.
#[derive(Debug, thiserror::Error)]
pub(crate) enum DemoError {
    #[error("the demo's shop could not be opened")]
    Open(#[source] StorageError),
    /// There is somebody's shop, or an unfinished demo; we write into neither.
    #[error(
        "{url} already holds a shop that is not a finished demo; move that file away, or name another with --db"
    )]
    NotEmpty { url: String },
    /// No shop keeps books for the months before it.
    #[error("a demo can be made as of a day from {from} to {until}; choose another one with --as-of")]
    Day { from: Date, until: Date },
    /// A file that is built into the program.
    #[error("the demo's {file} could not be read")]
    File {
        file: &'static str,
        #[source]
        source: FeedError,
    },
    #[error("the demo's {file}: {why}")]
    Row {
        file: &'static str,
        /// Where it is and what is wrong.
        why: String,
    },
    /// An order that the shop rejected.
    #[error("the demo's order {number} was rejected: {}", words::rejection(source))]
    Order {
        number: String,
        #[source]
        source: Box<Rejection>,
    },
    #[error("the pretend online shop could not start: {0}; choose its address with --shop-listen")]
    Online(#[source] PretendError),
    /// Any other step.
    #[error("the demo could not {step}")]
    Step {
        step: &'static str,
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

/// Names the step at which an error stopped the demo.
pub(super) trait Doing<T> {
    fn doing(self, step: &'static str) -> Result<T, DemoError>;
}

impl<T, E: std::error::Error + Send + Sync + 'static> Doing<T> for Result<T, E> {
    fn doing(self, step: &'static str) -> Result<T, DemoError> {
        self.map_err(|source| DemoError::Step { step, source: Box::new(source) })
    }
}
