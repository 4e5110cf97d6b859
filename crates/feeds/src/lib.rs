//! Bytes to and from styles, items, orders and listings.
//!
//! Knows no database and no network: it turns a file of CSV, JSON or JSON Lines into typed records
//! and back. Reading streams in constant memory; a record that cannot be taken is a [`Reject`] that
//! says where and what to do, and the rest of the file goes on.

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
pub use items::{ItemRow, read_items};
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
pub use styles::{StyleRow, read_styles};

/// The longest row or record in bytes. A real one has a few hundred; this leaves room for a long
/// description and still keeps a file without line ends from filling the memory.
pub const MAX_ROW_BYTES: usize = 1 << 20;
/// The most fields of one row: no shop's export comes near, and a broken file may.
pub const MAX_FIELDS: usize = 1_000;
/// The most bytes that the rows of one order are kept with; a longer one is refused in parts.
pub const MAX_ORDER_BYTES: usize = 4 << 20;
/// The most orders of one file: the first pass remembers eight bytes of each.
pub const MAX_ORDERS: usize = 4_000_000;
/// How many bytes are looked at to find encoding and delimiter.
pub const SNIFF_BYTES: usize = 64 << 10;
