//! A page of JSON from an online shop: its records, and single values in it.

use crate::connection::JsonPointer;
use crate::fields::Feed;
use crate::json_text::{elements, members, text};
use crate::layout::{Format, Layout};
use crate::layout_extra::{Extra, ExtraValue};
use crate::listed::{ListedRow, read_listings};
use crate::orders::read_orders;
use crate::record::{Parsed, Reading, Rows};
use crate::reject::{FeedError, Reject};
use crate::{hash, masked};
use domain::day::Zone;
use domain::money::Currency;
use domain::order::IncomingOrder;
use serde_json::value::RawValue;
use std::io::Cursor;

/// What is needed to read a page, besides its bytes.
#[derive(Clone, Copy, Debug)]
pub struct PageReading<'a> {
    /// How the page maps to our fields.
    pub layout: &'a Layout,
    /// The shop's currency.
    pub currency: Currency,
    /// The shop's zone, for dates without one.
    pub zone: &'a Zone,
}

impl<'a> PageReading<'a> {
    fn reading(&self, file_hash: &'a str) -> Reading<'a> {
        Reading { layout: self.layout, currency: self.currency, zone: self.zone, file_hash }
    }
}

/// The orders of a page, each accepted or rejected. A page that breaks off gives none.
pub fn orders_of_page(
    bytes: &[u8],
    page: PageReading<'_>,
) -> Result<Vec<Result<Parsed<IncomingOrder>, Reject>>, FeedError> {
    let hash = hash::of_bytes(bytes);
    let mut orders = whole(read_orders(Cursor::new(bytes), page.reading(&hash), false)?)?;
    // The rows are kept if the order cannot be taken in, so card numbers are removed from here on.
    for order in &mut orders {
        match order {
            Ok(parsed) => parsed.rows = masked::rows(&parsed.rows, page.layout),
            Err(reject) => *reject = reject.clone().with_rows(masked::rows(reject.rows(), page.layout)),
        }
    }
    Ok(orders)
}

/// The listings of a page, each accepted or rejected. A page that breaks off gives none.
pub fn listings_of_page(
    bytes: &[u8],
    page: PageReading<'_>,
) -> Result<Vec<Result<Parsed<ListedRow>, Reject>>, FeedError> {
    let hash = hash::of_bytes(bytes);
    whole(read_listings(Cursor::new(bytes), page.reading(&hash))?)
}

fn whole<T>(
    records: impl Iterator<Item = Result<Parsed<T>, Reject>>,
) -> Result<Vec<Result<Parsed<T>, Reject>>, FeedError> {
    let mut all = Vec::new();
    for record in records {
        match record {
            Err(reject) if reject.ends_file() => {
                return Err(FeedError::BreaksOff { line: reject.line(), why: reject.cause().to_string() });
            }
            record => all.push(record),
        }
    }
    Ok(all)
}

/// The text of a record, to be kept and read again by [`orders_again`].
pub fn kept_text(rows: &Rows) -> String {
    let rows = rows.iter().map(|row| String::from_utf8_lossy(row).replace(['\r', '\n'], " "));
    rows.collect::<Vec<_>>().join("\n")
}

/// Reads what [`kept_text`] returned.
pub fn orders_again(
    text: &str,
    page: PageReading<'_>,
) -> Result<Vec<Result<Parsed<IncomingOrder>, Reject>>, FeedError> {
    let layout = page.layout.clone().with_format(Format::JsonLines);
    orders_of_page(text.as_bytes(), PageReading { layout: &layout, ..page })
}

/// The text, number or boolean at a place; none if it is missing, null or not JSON.
pub fn json_at(bytes: &[u8], place: &JsonPointer) -> Option<String> {
    let raw = raw_at(bytes, place)?;
    let found = text(raw, false).ok()?;
    (raw != "null" && !found.is_empty()).then(|| found.into_owned())
}

/// The members of the list at a place, each as written; none if there is no list.
pub fn json_each<'a>(bytes: &'a [u8], place: &JsonPointer) -> Option<Vec<&'a str>> {
    let raw = raw_at(bytes, place).filter(|raw| raw.starts_with('['))?;
    Some(elements(raw).ok()?.into_iter().map(RawValue::get).collect())
}

fn raw_at<'a>(bytes: &'a [u8], place: &JsonPointer) -> Option<&'a str> {
    let mut raw = std::str::from_utf8(bytes).ok()?.trim();
    serde_json::from_str::<&RawValue>(raw).ok()?;
    for segment in &place.0.segments {
        raw = match raw.as_bytes().first() {
            Some(b'{') => members(raw).ok()?.into_iter().find(|(name, _)| name == segment)?.1.get(),
            Some(b'[') => elements(raw).ok()?.get(segment.parse::<usize>().ok()?)?.get(),
            _ => return None,
        };
    }
    Some(raw)
}

impl Layout {
    /// The same layout for a document that is one record, or a list of records.
    #[must_use]
    pub fn at_root(mut self) -> Self {
        self.each = crate::layout::Pointer::default();
        self
    }

    /// Accepts a member at this place, though it is not one of our fields.
    pub(crate) fn also_has(&mut self, place: &JsonPointer) {
        let value = ExtraValue::Plain(String::new());
        self.extra.push(Extra { pointer: place.0.clone(), value });
    }

    /// Whether the layout says on which channel an order was sold.
    pub fn names_channel(&self) -> bool {
        use crate::fields::order;
        self.feed == Feed::Orders && (self.channel.is_some() || self.maps(order::CHANNEL))
    }
}
