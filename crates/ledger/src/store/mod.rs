//! The engine beneath all rooms: opening a shop, transactions, idempotency keys, ids, clock, settings and errors.

pub(crate) mod batch_limits;
pub(crate) mod begin;
pub(crate) mod clock;
pub(crate) mod command;
pub(crate) mod commit_notify;
pub(crate) mod engine;
pub(crate) mod error;
pub(crate) mod idempotency_key;
pub(crate) mod lease;
pub(crate) mod postgres_notify;
pub mod private_files;
pub(crate) mod rejection;
pub(crate) mod settings;
pub(crate) mod sql;
pub(crate) mod storage_error;
pub(crate) mod writes;

pub use batch_limits::Pace;
pub use clock::{Clock, ManualClock, SystemClock};
pub use command::{Command, Done, Tx};
pub use commit_notify::LISTEN_EVERY;
pub use engine::{Access, Ledger};
pub(crate) use engine::{Engine, Inner, Place, schema_step, without_password};
pub use error::Failure;
pub use idempotency_key::Key;
pub use rejection::{Refusal, SoldAs};
pub use settings::{COUNTER_TENDERS, ChangeShop, SetShop, Shop};
pub use storage_error::Trouble;
