//! Writes listings as CSV (RFC 4180).

use crate::fields::{Feed, listing};
use crate::guard::guard;
use crate::layout::{Delimiter, Encoding, Format, Layout};
use crate::layout_field::FieldMap;
use crate::listing::Listing;
use crate::listing_units::converted;
use crate::template::Template;
use domain::money::Money;
use domain::quantity::{Measure, Quantity};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io::{self, Write};

/// Why listings cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum CsvOutError {
    /// The layout is not for listings as CSV.
    #[error(
        "listings go out by a layout with feed = \"listings\" and format = \"csv\"; this one is for something else"
    )]
    OtherLayout,
    /// The layout has a key that only applies to reading.
    #[error("the layout's {key} is only for files coming in; take it out")]
    OnlyIn {
        /// The key's name.
        key: &'static str,
    },
    /// The file cannot be written.
    #[error("the listings cannot be written: {source}")]
    Write {
        /// The system's error.
        #[source]
        source: io::Error,
    },
}

/// What a column contains.
enum Content {
    Field(usize),
    Constant(Template),
}

struct Column {
    content: Content,
    decimal_comma: bool,
    /// Their words for ours.
    words: BTreeMap<String, String>,
    /// The field's mapping, if it asks for another unit or scale.
    converted: Option<FieldMap>,
}

/// Writes listings with our own columns or a layout's.
pub struct ListingCsv<W: Write> {
    writer: csv::Writer<W>,
    columns: Vec<Column>,
    number: Vec<u8>,
    rows: u64,
}

impl<W: Write> ListingCsv<W> {
    /// Writes the heading.
    pub fn new(out: W, layout: &Layout) -> Result<Self, CsvOutError> {
        if layout.feed != Feed::Listings || layout.format != Format::Csv {
            return Err(CsvOutError::OtherLayout);
        }
        if layout.encoding == Some(Encoding::Windows1252) {
            return Err(CsvOutError::OnlyIn { key: "encoding = \"windows-1252\"" });
        }
        let delimiter = match layout.delimiter {
            None => b',',
            Some(Delimiter::One(byte)) => byte,
            Some(Delimiter::Spaces) => {
                return Err(CsvOutError::OnlyIn { key: "delimiter = \"spaces\"" });
            }
        };
        let mut writer =
            csv::WriterBuilder::new().delimiter(delimiter).terminator(csv::Terminator::CRLF).from_writer(out);
        let mut columns = Vec::new();
        let mut headings = Vec::new();
        for (place, map) in layout.fields.iter().enumerate() {
            let Some(map) = map else { continue };
            if map.value.as_ref().is_some_and(Template::names_file) {
                return Err(CsvOutError::OnlyIn { key: "{file}" });
            }
            let content = map.value.clone().map_or(Content::Field(place), Content::Constant);
            let is_converted = map.unit.is_some() || map.scale.is_some();
            columns.push(Column {
                content,
                decimal_comma: map.decimal_comma,
                words: map.words.clone(),
                converted: is_converted.then(|| map.clone()),
            });
            headings.push(map.from.as_str());
        }
        if layout.header {
            writer.write_record(&headings).map_err(failed)?;
        }
        Ok(Self { writer, columns, number: Vec::new(), rows: 0 })
    }

    /// Writes one row.
    pub fn write(&mut self, item: &Listing) -> Result<(), CsvOutError> {
        self.rows += 1;
        for column in &self.columns {
            self.number.clear();
            let text = match &column.content {
                Content::Constant(template) => {
                    let mut constant = String::new();
                    template.write("", self.rows, &mut constant);
                    Cow::Owned(constant)
                }
                Content::Field(field) => {
                    if let Some(text) = text(item, *field) {
                        guard(text)
                    } else {
                        match column.converted.as_ref().and_then(|map| converted(item, *field, map)) {
                            Some(text) => self.number.extend_from_slice(text.as_bytes()),
                            None => number(item, *field, &mut self.number),
                        }
                        if column.decimal_comma {
                            self.number.iter_mut().filter(|b| **b == b'.').for_each(|b| *b = b',');
                        }
                        let theirs = column.words.iter().find(|(_, ours)| ours.as_bytes() == self.number);
                        if let Some((theirs, _)) = theirs {
                            self.number.clear();
                            self.number.extend_from_slice(theirs.as_bytes());
                        }
                        self.writer.write_field(&self.number).map_err(failed)?;
                        continue;
                    }
                }
            };
            self.writer.write_field(text.as_bytes()).map_err(failed)?;
        }
        self.writer.write_record(None::<&[u8]>).map_err(failed)
    }

    /// Finishes the file; returns its writer and the number of listings.
    pub fn finish(self) -> Result<(W, u64), CsvOutError> {
        let rows = self.rows;
        let out = self.writer.into_inner().map_err(|e| CsvOutError::Write { source: e.into_error() })?;
        Ok((out, rows))
    }
}

fn failed(error: csv::Error) -> CsvOutError {
    let source = match error.into_kind() {
        csv::ErrorKind::Io(source) => source,
        other => io::Error::other(format!("{other:?}")),
    };
    CsvOutError::Write { source }
}

/// A field with text that people typed, which needs the formula guard.
fn text(item: &Listing, field: usize) -> Option<&str> {
    match field {
        listing::SKU => Some(item.sku.as_str()),
        listing::IMAGE if item.text.images.len() == 1 => Some(&item.text.images[0]),
        other => Feed::Listings.fields()[other].text.map(|text| item.text.get(text)),
    }
}

/// A field with a number or a word from a fixed list.
fn number(item: &Listing, field: usize, into: &mut Vec<u8>) {
    // Writing to memory cannot fail.
    let _ = match field {
        listing::GTIN => {
            let gtin = item.gtin.as_ref().and_then(domain::codes::Gtin::gtin13);
            into.write_all(gtin.unwrap_or_default().as_bytes())
        }
        listing::WEIGHT => item.weight.map_or(Ok(()), |w| write!(into, "{}", w.value())),
        listing::WEIGHT_UNIT => into.write_all(item.weight.map_or("", |w| w.unit().code()).as_bytes()),
        listing::IMAGE => into.write_all(guard(&item.text.images.join("|")).as_bytes()),
        listing::PRICE => money(item.price, into),
        listing::CURRENCY => into.write_all(item.price.currency().code().as_bytes()),
        listing::AVAILABILITY => into.write_all(item.availability.code().as_bytes()),
        listing::INVENTORY => item.inventory.map_or(Ok(()), |q| into.write_all(level(q).as_bytes())),
        listing::REVISION => write!(into, "{}", item.revision),
        _ => Ok(()),
    };
}

/// Writes the decimal directly: [`Money::major`] costs as much as the rest of the row.
fn money(price: Money, into: &mut Vec<u8>) -> io::Result<()> {
    let digits = price.currency().minor_digits() as usize;
    let sign = if price.is_negative() { "-" } else { "" };
    let minor = price.minor().unsigned_abs();
    if digits == 0 {
        return write!(into, "{sign}{minor}");
    }
    let major = 10_u64.pow(price.currency().minor_digits());
    write!(into, "{sign}{}.{:0digits$}", minor / major, minor % major)
}

/// The quantity in units or in the stock unit.
pub(crate) fn level(quantity: Quantity) -> String {
    match quantity.measure() {
        Measure::Units => quantity.stock_units().to_string(),
        Measure::Thousandths(_) => quantity.value().normalize().to_string(),
    }
}
