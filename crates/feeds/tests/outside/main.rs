//! The feeds from outside, compared with published sources; each source is named beside its check.

mod files;
mod fuzz;
mod guide;
mod items;
mod json;
mod layouts;
mod limits;
mod listings;
mod messages;
mod orders;
mod previews;
mod random;
mod rejects;
mod spreadsheets;

use domain::day::Zone;
use domain::item::NewItem;
use domain::money::Currency;
use domain::order::IncomingOrder;
use feeds::{Feed, FeedError, Format, Layout, Parsed, Reading, Reject, read_items, read_orders};
use std::io::Cursor;

/// A file's hash for the tests; its first half stands for `{file}`.
const FILE_HASH: &str = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef";

fn layout(toml: &str) -> Layout {
    Layout::parse(toml).unwrap_or_else(|e| panic!("{e}"))
}

fn own(feed: Feed) -> Layout {
    Layout::built_in(feed, Format::Csv)
}

/// Reads orders of a shop with dollars and UTC.
fn orders_by(
    layout: &Layout,
    bytes: &[u8],
    past: bool,
) -> Result<Vec<Result<Parsed<IncomingOrder>, Reject>>, FeedError> {
    let zone = Zone::utc();
    let reading = Reading { layout, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    Ok(read_orders(Cursor::new(bytes), reading, past)?.collect())
}

fn orders(text: &str) -> Vec<Result<Parsed<IncomingOrder>, Reject>> {
    orders_by(&own(Feed::Orders), text.as_bytes(), false).unwrap_or_else(|e| panic!("{e}"))
}

fn items_by(layout: &Layout, bytes: &[u8]) -> Result<Vec<Result<Parsed<NewItem>, Reject>>, FeedError> {
    let zone = Zone::utc();
    let reading = Reading { layout, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    Ok(read_items(bytes, reading)?.collect())
}

/// Each order's number, or each rejection's text.
fn told(read: &[Result<Parsed<IncomingOrder>, Reject>]) -> Vec<String> {
    let one = |r: &Result<Parsed<IncomingOrder>, Reject>| match r {
        Ok(parsed) => parsed.value.number.to_string(),
        Err(reject) => reject.to_string(),
    };
    read.iter().map(one).collect()
}
