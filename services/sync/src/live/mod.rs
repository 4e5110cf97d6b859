//! The exchange with an online shop over the network, without anybody watching.

mod secrets;
pub mod signature;

pub use secrets::{Secret, SecretError, Secrets};
