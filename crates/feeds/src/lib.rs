//! Turns bytes into styles, items, orders and listings, and back.
//!
//! Knows no database and no network: it reads and writes CSV, JSON and JSON Lines as typed records.
//! Reading is a stream in constant memory. A record that cannot be accepted is a [`Reject`], which says
//! where it is and what to do, and reading goes on.

mod cells;
pub mod compare;
pub mod connection;
mod csv_in;
mod csv_row;
mod csvw;
mod date;
mod fields;
mod guard;
pub mod hash;
mod items;
mod json_in;
mod json_out;
mod json_page;
mod json_scan;
mod json_text;
mod layout;
mod layout_extra;
mod layout_field;
mod layout_toml;
mod listed;
mod listing;
mod listing_csv;
mod listing_json;
mod listing_units;
mod masked;
mod order_group;
mod orders;
mod pointer;
mod preview;
mod publish;
mod record;
mod reject;
mod rejects_out;
mod sniff;
mod source;
mod styles;
mod template;
mod toml_text;
mod values;

pub use csvw::write_csvw;
pub use date::DateError;
pub use fields::Feed;
pub use guard::guard;
pub use items::read_items;
pub use json_out::{JsonOutError, ListingMessages, MessageOf, json_batch};
pub use json_page::{
    PageReading, json_at, json_each, kept_text, listings_of_page, orders_again, orders_of_page,
};
pub use layout::{Delimiter, Encoding, Format, Layout, LayoutError};
pub use listed::{ListedRow, on_offer, read_listings};
pub use listing::{Listing, content_hash};
pub use listing_csv::{CsvOutError, ListingCsv};
pub use listing_json::{JsonLdDocument, JsonLdLines};
pub use orders::{Orders, read_orders};
pub use preview::{Preview, PreviewRow, preview};
pub use publish::{PublishError, publish};
pub use record::{Parsed, Reading, Rows};
pub use reject::{Cause, FeedError, Reject};
pub use rejects_out::RejectsWriter;
pub use sniff::compressed;
pub use source::{Records, Shape};
pub use styles::read_styles;

/// The longest row or record, in bytes. Real ones have a few hundred. This leaves room for a long
/// description, and a file without line ends cannot fill the memory.
pub const MAX_ROW_BYTES: usize = 1 << 20;
/// The most fields in a row. No shop's export comes near, but a broken file may.
pub const MAX_FIELDS: usize = 1_000;
/// The most bytes of one order's rows that are kept; a longer order is rejected in parts.
pub const MAX_ORDER_BYTES: usize = 4 << 20;
/// The most orders in a file: the first pass remembers eight bytes for each.
pub const MAX_ORDERS: usize = 4_000_000;
/// How many bytes are read to find the encoding and the delimiter.
pub const SNIFF_BYTES: usize = 64 << 10;
