//! Files in and out: styles, items and orders in, listings out, and comparing listings.

mod add;
mod compare;
mod feed_out;
mod orders_in;
mod record;
mod rejects;
mod sheet;

pub use add::{AddReport, AddRun, add_items, add_styles};
pub use compare::{CompareReport, CompareRun, compare};
pub(crate) use compare::{Ours, read_listed};
pub use feed_out::{Destination, FeedOutError, FeedOutReport, FeedOutRun, OutFormat, What, feed_out};
pub use orders_in::{OrdersReport, OrdersRun, feed_in};
pub(crate) use record::line;
pub use rejects::{IntakeError, MAX_TOLD, RefusedRow};
pub(crate) use sheet::state_of;

pub const FEED_CONNECTION: &str = "feed";
