//! What looks across all rooms: backup, check, Today.

pub(crate) mod backup;
pub(crate) mod check;
pub(crate) mod today;

pub use backup::{BackedUp, BackupError, LeftOut, Restored, restore};
pub use check::{CheckReport, FINDINGS_OF_A_LAW, Finding, Law};
pub use today::{EndingHold, NEWEST_LOOKED_AT, OwedSum, ShortLines};
