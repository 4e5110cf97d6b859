//! The exchange with online shops: by files ([`exchange`]) and over the network ([`connections`]).
//!
//! It stands between [`feeds`], which reads and writes bytes and knows no database, and [`ledger`], which knows no
//! file format: a file is streamed from the one into commands of the other, in transactions of the size that
//! [`ledger::Pace`] allows. It knows no pages and no command line; both call it.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

pub mod connections;
pub mod exchange;
mod folders;

mod chain;
mod config;
mod pictures;
mod pipe;
mod spool;
mod watch;

pub use config::{Given, GivenError, GivenLayout};
pub use folders::{FolderError, Folders, LOOK_EVERY, Looked, OUT_EVERY, serve};
pub use pictures::{MissingPicture, PICTURES};
pub use spool::MAX_SPOOL_BYTES;
pub use watch::Watch;
