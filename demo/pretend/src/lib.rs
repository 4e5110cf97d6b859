//! A pretend online shop: a small program with its own stock, pages, order button, listing intake, order list and
//! hooks. It knows nothing about Fleecefold, which reaches it by configuration alone, like any online shop.
//!
//! It sells whatever it believes to be in stock, as a real shop does. It can be told to be slow, to fail, to break
//! connections, to send things twice and out of order, and to have a wrong clock. Its clock and its seed come from
//! outside, so that a test can repeat a run.
#![allow(missing_docs, reason = "internal: only comments that say more than the name are worth reading")]

mod api;
mod book;
mod faults;
mod goods;
mod hooks;
mod keys;
mod message;
mod pages;
mod passing;
mod shop;
mod time;
mod trouble;
mod wire;

pub use book::{Backup, Bought, Line, NotBought, OrderState, Remembered};
pub use faults::{Fault, Faults, Shuffler};
pub use goods::Shown;
pub use hooks::{Hook, HookSecret, HooksTo, NotASecret, NotAnAddress, Outbound, deliver};
pub use passing::{Faulty, Visits, pass};
pub use shop::{Counts, Options, Running, Shop};
pub use time::{Now, http_date, machine_clock};
pub use trouble::PretendError;
pub use wire::{Breaker, Door, Wire};
