//! Storms of the live sync. A seed draws counters, a workbench, buyers, network faults and process deaths against an
//! online shop on the loopback, on a simulated clock. The shop is the pretend one, or one of three with other habits,
//! each connected only by the text of a file under `shops`.
//!
//! After a storm the online shop recovers and all waiting messages are sent. Then what it lists must match the
//! stock, every order must be in the books exactly once, no piece may be sold twice, and `check` must find nothing.
//!
//! A seed always draws the same storm. What happens at the same moment on several connections may still happen in
//! another order, so a storm that failed once usually fails again, but not always.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

mod broken;
mod buyers;
mod connection;
mod drain;
mod ground;
mod hands;
pub mod heard;
mod jumps;
mod person;
mod plan;
mod shops;
mod storm;
mod verdict;
mod weather;
mod world;

pub use broken::Broken;
pub use ground::Template;
pub use shops::ShopKind;
pub use storm::{Report, Storm};
pub use testkit::Engine;

/// Why a storm could not go on, or what was wrong after it.
#[derive(Debug, thiserror::Error)]
pub enum StormError {
    /// A step of the program or the machine failed that must not fail.
    #[error("{step}: {}", in_full(source.as_ref()))]
    Step { step: &'static str, source: Box<dyn std::error::Error + Send + Sync> },
    /// Something does not hold after the storm.
    #[error("{}", .0.join("\n"))]
    Wrong(Vec<String>),
}

fn in_full(error: &(dyn std::error::Error + 'static)) -> String {
    let mut words = error.to_string();
    let mut behind = error.source();
    while let Some(source) = behind {
        words.push_str(": ");
        words.push_str(&source.to_string());
        behind = source.source();
    }
    words
}

/// Adds to an error what was being done.
trait Doing<T> {
    fn doing(self, step: &'static str) -> Result<T, StormError>;
}

impl<T, E: Into<Box<dyn std::error::Error + Send + Sync>>> Doing<T> for Result<T, E> {
    fn doing(self, step: &'static str) -> Result<T, StormError> {
        self.map_err(|source| StormError::Step { step, source: source.into() })
    }
}
