//! The one door to the database: every write of stock and money is a function here.
//!
//! A write is a [`Command`]: it runs in one transaction, may be tried again as a whole, and may
//! carry a [`Key`], by which its first answer is kept (law 5). Stock is taken by conditional
//! updates alone, never by read-then-write. Stock entries, sales, refunds and tenders are only
//! ever added; no text in this crate updates or deletes one.
#![deny(clippy::float_arithmetic)]

pub mod books;
pub mod keeping;
pub mod online;
pub mod orders;
pub mod people;
pub mod sales;
pub mod shelf;
mod store;

pub use store::{
    Access, Actor, COUNTER_TENDERS, Clock, Command, CommandError, Done, Key, LISTEN_EVERY, Ledger,
    ManualClock, Pace, Rejection, Shop, SoldAs, StorageError, SystemClock, Tx, private_files,
};
