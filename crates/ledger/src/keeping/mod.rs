//! What spans all parts of the shop: backup, check, Today.

pub(crate) mod backup;
pub(crate) mod change_settings;
pub(crate) mod check;
pub(crate) mod day_sums;
mod open;
pub(crate) mod privacy;
pub(crate) mod set_up;
mod subjects;
pub(crate) mod today;

pub use backup::{BackedUp, BackupError, LeftOut, Restored, restore};
pub use change_settings::{ChangeShop, SetShop};
pub use check::{CheckReport, FINDINGS_OF_A_LAW, Finding, Law};
pub use privacy::{
    CustomerExport, CustomerOrder, CustomerSale, EraseCustomer, ExportedCertificate, ExportedContact,
    ExportedCustomOrder, ExportedDeposit, ExportedEntry, ExportedHold, ExportedLine, ExportedOrder,
    ExportedPayment, ExportedRefund, ExportedSale, SweepPersonalData,
};
pub use set_up::BeginShop;
pub use subjects::Subject;
pub use today::{EndingHold, FirstSteps, HeldSum, NEWEST_LOOKED_AT, OwedSum, ShortLines};
