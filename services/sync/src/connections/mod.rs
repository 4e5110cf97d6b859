//! The exchange with online shops over the network, without anybody watching.
//!
//! A [`SyncCycle`] does what is due now and says when there will be more: messages out, orders in, lists
//! compared. [`serve()`] runs one cycle after the other. If a cycle is interrupted, the next one, in this
//! process or another, goes on from what the ledger has.

mod by_hand;
mod client;
mod cycle;
mod deferred;
mod deliver;
mod drain;
mod hooks;
mod hosts;
mod intake;
mod lanes;
mod links;
mod look;
mod message;
mod orders;
mod place;
mod rate;
mod reconcile;
mod results;
mod rng;
mod runtime;
mod secrets;
mod serve;
pub mod signature;
mod theirs;
mod tls;
mod token;
mod turned;
mod understood;

pub use by_hand::{
    Asked, CheckError, CheckedConnection, NowDone, Tried, WouldSend, check_connection, now, reread,
    try_connection,
};
pub use client::{CONNECT_TIMEOUT, Limits, MAX_ANSWER_BYTES, MAX_PAGE_BYTES, READ_TIMEOUT};
pub use cycle::{SyncCycle, When};
pub use deferred::LOST_THERE;
pub use feeds::connection::ConnectionError;
pub use hooks::{HookAnswer, MAX_HOOK_BYTES, take_hook, takes_hooks};
pub use hosts::NotAllowed;
pub use reconcile::{NotReconciled, ReconcileError, Reconciled, reconcile, reconcile_given};
pub use runtime::Live;
pub use secrets::{Secret, SecretError, Secrets};
pub use serve::serve;
