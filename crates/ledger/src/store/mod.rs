//! The base of all other parts: opening a shop, transactions, idempotency keys, ids, clock, settings
//! and errors.

pub(crate) mod actor;
pub(crate) mod approval;
pub(crate) mod batch_limits;
pub(crate) mod begin;
pub(crate) mod bundle;
pub(crate) mod clock;
pub(crate) mod command;
pub(crate) mod commit_notify;
pub(crate) mod database_url;
pub(crate) mod engine;
pub(crate) mod error;
pub(crate) mod idempotency_key;
pub(crate) mod lease;
pub(crate) mod postgres_notify;
pub mod private_files;
mod rehearsal;
pub mod rejection;
pub(crate) mod schema;
pub(crate) mod settings;
pub(crate) mod shared_commit;
pub(crate) mod sql;
pub(crate) mod storage_error;
pub(crate) mod tables;
pub(crate) mod writes;

pub use actor::Actor;
pub use batch_limits::Pace;
pub use clock::{Clock, ManualClock, SystemClock};
pub use command::{Command, Done, Tx};
pub use commit_notify::LISTEN_EVERY;
pub(crate) use database_url::{DatabaseUrl, without_password};
pub use engine::{Access, Ledger};
pub(crate) use engine::{Engine, Inner};
pub use error::CommandError;
pub use idempotency_key::Key;
pub use rejection::{Rejection, SoldAs};
pub(crate) use schema::schema_step;
pub use settings::{COUNTER_TENDERS, ReceiptTexts, Shop};
pub use storage_error::StorageError;
