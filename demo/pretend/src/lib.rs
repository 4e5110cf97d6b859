//! A pretend online shop: a small program of its own, with its own stock, pages, order button, listing
//! intake, order list and hooks. It knows nothing of the house and is reached by configuration alone,
//! as any online shop is.
//!
//! It sells what it believes to be there, as a real shop does, and it can be told to be slow, to fail,
//! to break connections, to say things twice and in the wrong order, and to have a wrong clock. Its
//! clock and its seed come from outside, so that a test can repeat what it did.

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
