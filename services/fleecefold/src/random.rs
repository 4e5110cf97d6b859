//! Random numbers that need not be secret, such as how long to wait before the next try.

use std::hash::{BuildHasher, Hasher, RandomState};

pub(crate) fn number() -> u64 {
    RandomState::new().build_hasher().finish()
}
