//! The only access to the database: every write of stock and money is a function here.
//!
//! A write is a [`Command`]. It runs in one transaction, may be repeated as a whole, and can have a
//! [`Key`] under which its first answer is stored (law 5). Stock is only ever taken by conditional
//! updates, never by reading first and writing later. Stock entries, sales, refunds and payments are
//! only added; no statement in this crate updates or deletes one.
#![deny(clippy::float_arithmetic)]

pub mod books;
pub mod customers;
pub mod keeping;
pub mod online;
pub mod orders;
pub mod people;
pub mod sales;
pub mod shelf;
mod store;

pub use store::{
    Access, Actor, COUNTER_TENDERS, Clock, Command, CommandError, Done, Key, LISTEN_EVERY, Ledger,
    ManualClock, Pace, ReceiptTexts, Rejection, Shop, SoldAs, StorageError, SystemClock, Tx, private_files,
    rejection,
};
