//! Chance, for what need not be a secret: how long one waits before the next try.

use std::hash::{BuildHasher, Hasher, RandomState};

/// A number that is another each time.
pub(crate) fn number() -> u64 {
    RandomState::new().build_hasher().finish()
}
