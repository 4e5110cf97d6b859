//! Shows how a layout reads a file's first records, for the person who writes the layout.

use crate::fields::Feed;
use crate::items::read_items;
use crate::layout::Layout;
use crate::listed::read_listings;
use crate::orders::read_orders;
use crate::record::{Parsed, Reading, Record};
use crate::reject::{FeedError, Reject};
use crate::source::Source;
use crate::styles::read_styles;
use crate::values::Values;
use std::collections::HashMap;
use std::io::Cursor;

/// The first records of a file, as a layout reads them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Preview {
    /// The fields that the layout fills.
    pub fields: Vec<&'static str>,
    /// The records.
    pub rows: Vec<PreviewRow>,
}

/// One record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PreviewRow {
    /// The line that it begins on, from 1.
    pub line: u64,
    /// One text per field.
    pub cells: Vec<String>,
    /// Why it would be rejected.
    pub refused: Option<String>,
    /// The field that causes that, if one does.
    pub field: Option<&'static str>,
}

/// Reads the first `most` records. With `cut`, only the beginning of the file was given, and an
/// incomplete record at the end is left out.
pub fn preview(bytes: &[u8], reading: Reading<'_>, most: usize, cut: bool) -> Result<Preview, FeedError> {
    let layout = reading.layout;
    let mapped: Vec<usize> = (0..layout.feed().fields().len()).filter(|field| layout.maps(*field)).collect();
    let fields = mapped.iter().map(|field| layout.feed().fields()[*field].name).collect();
    let refused = refusals(bytes, reading, most)?;
    let mut source = Source::open(Cursor::new(bytes), &reading, layout.feed())?;
    let mut record = Record::new();
    let mut rows: Vec<PreviewRow> = Vec::new();
    // One more than is shown, which tells whether the last one was cut off.
    while rows.len() <= most {
        let Some(read) = source.next(&mut record, layout) else {
            if cut && rows.len() <= most {
                rows.pop();
            }
            break;
        };
        let reject = refused.get(&record.line);
        let words = reject.map(ToString::to_string).or_else(|| read.err().map(|p| p.cause.to_string()));
        let ends = reject.is_some_and(Reject::ends_file);
        if ends && cut {
            break;
        }
        let one = |cells: Vec<String>| PreviewRow {
            line: record.line,
            cells,
            refused: words.clone(),
            field: reject.and_then(Reject::field),
        };
        if record.lines.is_empty() {
            let values = Values::new(&record.cells, None, &reading);
            rows.push(one(texts(&values, &mapped)));
        }
        for (cells, _) in &record.lines {
            let values = Values::new(cells, Some(&record.cells), &reading);
            rows.push(one(texts(&values, &mapped)));
        }
        if ends {
            break;
        }
    }
    rows.truncate(most);
    Ok(Preview { fields, rows })
}

fn texts(values: &Values, mapped: &[usize]) -> Vec<String> {
    mapped.iter().map(|field| values.raw(*field).to_owned()).collect()
}

/// Which of the first records would be rejected, by the line on which they begin.
fn refusals(bytes: &[u8], reading: Reading<'_>, most: usize) -> Result<HashMap<u64, Reject>, FeedError> {
    let file = Cursor::new(bytes);
    // Orders have several rows each, so this many records reach far enough.
    Ok(match reading.layout.feed() {
        Feed::Styles => refused(read_styles(file, reading)?.take(most + 1)),
        Feed::Items => refused(read_items(file, reading)?.take(most + 1)),
        Feed::Listings => refused(read_listings(file, reading)?.take(most + 1)),
        Feed::Orders => refused(read_orders(file, reading, may_be_past(reading.layout))?.take(most + 1)),
    })
}

/// A layout without codes can only be for past orders.
fn may_be_past(layout: &Layout) -> bool {
    use crate::fields::order::{GTIN, SKU};
    !layout.maps(SKU) && !layout.maps(GTIN)
}

fn refused<T>(records: impl Iterator<Item = Result<Parsed<T>, Reject>>) -> HashMap<u64, Reject> {
    records.filter_map(Result::err).map(|reject| (reject.line(), reject)).collect()
}
