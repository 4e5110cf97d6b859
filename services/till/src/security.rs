//! Secrets: random values, hashes of passwords and PINs, second factors, and the tokens of programs.

pub(crate) mod digest;
pub(crate) mod random;
pub(crate) mod second_factor;
pub(crate) mod secrets;
pub(crate) mod tokens;
