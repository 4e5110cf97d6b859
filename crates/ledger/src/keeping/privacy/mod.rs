//! What the whole shop knows of one person: shown, given out, erased, and blanked when its time is over.

mod erase;
mod export;
mod history;
mod promised;
mod sweep;

pub use erase::EraseCustomer;
pub use export::{
    CustomerExport, ExportedCertificate, ExportedContact, ExportedEntry, ExportedHold, ExportedLine,
    ExportedOrder, ExportedPayment, ExportedRefund, ExportedSale,
};
pub use history::{CustomerOrder, CustomerSale};
pub use promised::{ExportedCustomOrder, ExportedDeposit};
pub use sweep::SweepPersonalData;
