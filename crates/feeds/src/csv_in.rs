//! Reads a CSV file as records: finds the columns once, then fills the cells row by row.

use crate::csv_row::{Ended, RowReader, Span, part};
use crate::fields::{CHANGES_WITH_ORDER, Feed, order};
use crate::layout::{Delimiter, Encoding, Format, Layout};
use crate::layout_field::FieldMap;
use crate::record::{Reading, Record};
use crate::reject::{Cause, FeedError, Problem};
use crate::sniff;
use crate::source::Shape;
use crate::template::Template;
use sha2::{Digest, Sha256};
use std::io::Read;

/// The name of the column with the reason in a rejects file.
pub(crate) const REASON: &str = "reject.reason";

/// Where a field's text comes from.
#[derive(Clone, Debug)]
enum Column {
    None,
    At(usize),
    Constant(Template),
}

pub(crate) struct CsvIn<R> {
    rows: RowReader<R>,
    delimiter: Delimiter,
    encoding: Encoding,
    columns: Vec<Column>,
    /// How many fields a row has, without the reason.
    width: usize,
    /// Whether rows end with a reason, which is ignored.
    reason: bool,
    headings: bool,
    /// The first row of a file without headings, read to learn its width.
    waiting: Option<(Vec<u8>, Ended)>,
    spans: Vec<Span>,
    number: u64,
    file_hash: String,
    shape: Shape,
}

impl<R: Read> CsvIn<R> {
    pub(crate) fn open(reader: R, reading: &Reading) -> Result<Self, FeedError> {
        let layout = reading.layout;
        let mut rows = RowReader::new(reader, true).map_err(|source| FeedError::Read { source })?;
        let mark = sniff::mark(rows.window())?;
        rows.skip(mark);
        let by_mark = (mark > 0).then_some(Encoding::Utf8);
        let encoding = layout.encoding.or(by_mark).unwrap_or_else(|| sniff::encoding(rows.window()));
        let delimiter = layout.delimiter.unwrap_or_else(|| sniff::delimiter(rows.window()));
        rows.set_delimiter(delimiter);
        let shape = Shape { format: Format::Csv, delimiter, mark: mark > 0, header: None, line_end: b"\n" };
        let mut new = Self {
            rows,
            delimiter,
            encoding,
            columns: Vec::new(),
            width: 0,
            reason: false,
            headings: layout.header,
            waiting: None,
            spans: Vec::new(),
            number: 0,
            file_hash: reading.file_hash.to_owned(),
            shape,
        };
        new.read_heading(layout)?;
        Ok(new)
    }

    pub(crate) fn shape(&self) -> &Shape {
        &self.shape
    }

    fn read_heading(&mut self, layout: &Layout) -> Result<(), FeedError> {
        let mut raw = Vec::new();
        let ended = loop {
            let read = self.rows.next(&mut raw).map_err(|source| FeedError::Read { source })?;
            match read {
                None => return if self.headings { Err(FeedError::Empty) } else { Ok(()) },
                Some(ended) if !ended.cut && self.is_blank(&raw) => {}
                Some(ended) => break ended,
            }
        };
        let broken = |why| FeedError::Heading { why };
        if !ended.with.is_empty() {
            self.shape.line_end = ended.with;
        }
        if !self.headings {
            // A broken first row is rejected later, as a row; its width is whatever can be read of
            // it.
            let _ = part(&raw, self.delimiter, &mut self.spans);
            self.drop_reason(&mut raw);
            self.width = self.spans.len();
            let names: Vec<String> = (1..=self.width).map(|n| n.to_string()).collect();
            self.columns = columns(layout, &names)?;
            self.waiting = Some((raw, ended));
            return Ok(());
        }
        if ended.cut {
            return Err(broken(Cause::TooLong));
        }
        if raw.contains(&0) {
            return Err(broken(Cause::Nul));
        }
        part(&raw, self.delimiter, &mut self.spans).map_err(broken)?;
        let mut names = Vec::new();
        for span in &self.spans {
            let mut name = String::new();
            let decoded = self.encoding_of(&raw);
            decode(&raw[span.start..span.end], span.doubled, decoded, &mut name)
                .map_err(|()| broken(Cause::NotUtf8))?;
            names.push(name.trim().to_owned());
        }
        self.reason = names.last().is_some_and(|n| n == REASON);
        if self.reason {
            names.pop();
            cut_last(&mut raw, &mut self.spans, self.delimiter);
        }
        self.width = names.len();
        self.columns = columns(layout, &names)?;
        self.shape.header = Some(raw);
        Ok(())
    }

    /// In a file without headings, a reason is recognized by how it begins.
    fn drop_reason(&mut self, raw: &mut Vec<u8>) {
        let Some(last) = self.spans.last() else { return };
        let text = &raw[last.start..last.end];
        let is_reason = if self.headings {
            // A corrected row may have lost its reason, and a broken one may have kept it.
            let short = self.spans.len() < self.width;
            self.reason && (self.spans.len() > self.width || (short && text.starts_with(b"line ")))
        } else {
            text.starts_with(REASON.as_bytes())
        };
        if is_reason {
            cut_last(raw, &mut self.spans, self.delimiter);
        }
    }

    /// The encoding of a row; the first row that is not ASCII decides for the file.
    fn encoding_of(&self, raw: &[u8]) -> Encoding {
        match self.encoding {
            Encoding::Ascii if raw.is_ascii() => Encoding::Ascii,
            Encoding::Ascii if std::str::from_utf8(raw).is_ok() => Encoding::Utf8,
            Encoding::Ascii => Encoding::Windows1252,
            known => known,
        }
    }

    /// Fills the record with the next row; none at the end of the file.
    pub(crate) fn next(&mut self, record: &mut Record) -> Option<Result<(), Problem>> {
        record.cells.clear();
        let ended = loop {
            let read = match self.waiting.take() {
                Some((raw, ended)) => {
                    record.raw = raw;
                    Ok(Some(ended))
                }
                None => self.rows.next(&mut record.raw),
            };
            match read {
                Ok(None) => return None,
                Ok(Some(ended)) if !ended.cut && self.is_blank(&record.raw) => {}
                Ok(Some(ended)) => break ended,
                Err(e) => {
                    record.raw.clear();
                    return Some(Err(Problem::new(Cause::FileEnds { why: e.to_string() })));
                }
            }
        };
        self.number += 1;
        record.line = ended.line;
        self.encoding = self.encoding_of(&record.raw);
        record.encoding = self.encoding;
        let parted = part(&record.raw, self.delimiter, &mut self.spans);
        if parted.is_ok() {
            self.drop_reason(&mut record.raw);
        }
        let whole = match parted {
            _ if ended.cut => Err(Cause::TooLong),
            Err(cause) => Err(cause),
            Ok(()) if self.spans.len() != self.width => {
                Err(Cause::FieldCount { found: self.spans.len(), expected: self.width })
            }
            Ok(()) => Ok(()),
        };
        Some(self.fill(record, whole))
    }

    /// Rows with only empty cells are ignored, however many cells they have: spreadsheets leave them
    /// behind, and nothing in them can be lost.
    fn is_blank(&mut self, raw: &[u8]) -> bool {
        let delimiter = self.delimiter.byte();
        // Nearly every row is done here, at its first letter or digit.
        if raw.iter().any(|b| b.is_ascii_graphic() && *b != delimiter && *b != b'"') {
            return false;
        }
        if part(raw, self.delimiter, &mut self.spans).is_err() {
            return false;
        }
        let encoding = self.encoding_of(raw);
        let mut text = String::new();
        self.spans.iter().all(|span| {
            text.clear();
            let read = decode(&raw[span.start..span.end], span.doubled, encoding, &mut text);
            read.is_ok() && text.trim().is_empty()
        })
    }

    /// Fills the cells. If a row could not be split, only its first column is certain, because a
    /// missing field moves all that follow.
    fn fill(&self, record: &mut Record, whole: Result<(), Cause>) -> Result<(), Problem> {
        let sure = if whole.is_ok() { self.width } else { self.spans.len().min(1) };
        let mut wrong = whole.err();
        // Most rows are UTF-8 throughout; then no field has to be checked separately.
        let text = match record.encoding {
            Encoding::Windows1252 => None,
            _ => std::str::from_utf8(&record.raw).ok(),
        };
        for (field, column) in self.columns.iter().enumerate() {
            let mut bad = None;
            record.cells.push_with(|into| match column {
                Column::None => {}
                Column::Constant(template) => template.write(&self.file_hash, self.number, into),
                Column::At(at) if *at >= sure => {}
                Column::At(at) => {
                    let span = self.spans[*at];
                    match text {
                        Some(text) if !span.doubled => into.push_str(&text[span.start..span.end]),
                        _ => {
                            let bytes = &record.raw[span.start..span.end];
                            if decode(bytes, span.doubled, record.encoding, into).is_err() {
                                bad = Some(Cause::NotUtf8);
                            }
                        }
                    }
                    if record.raw[span.start..span.end].contains(&0) {
                        bad = Some(Cause::Nul);
                    }
                }
            });
            if let (None, Some(cause)) = (&wrong, bad) {
                let problem = Problem::at(field, record.cells.get(field), cause);
                return self.finish(record, field + 1, problem);
            }
        }
        if wrong.is_none() && record.raw.contains(&0) {
            wrong = Some(Cause::Nul);
        }
        wrong.map_or(Ok(()), |cause| Err(Problem::new(cause)))
    }

    /// Leaves the fields after a damaged one empty, so that none of them slips into its place.
    fn finish(&self, record: &mut Record, from: usize, problem: Problem) -> Result<(), Problem> {
        for _ in from..self.columns.len() {
            record.cells.push_with(|_| {});
        }
        Err(problem)
    }

    /// Whether an order's key can be read from a row that could not be split.
    pub(crate) fn keeps_key(&self) -> bool {
        [order::NUMBER, order::CHANNEL]
            .into_iter()
            .all(|field| !matches!(self.columns.get(field), Some(Column::At(at)) if *at > 0))
    }

    /// The hash that identifies a row: of all its fields as written, without the reason and without
    /// what changes with the order.
    pub(crate) fn identity(&self, record: &Record) -> String {
        let changing = CHANGES_WITH_ORDER.map(|field| match self.columns.get(field) {
            Some(Column::At(at)) => *at,
            _ => usize::MAX,
        });
        let mut hasher = Sha256::new();
        for (at, span) in self.spans.iter().enumerate() {
            if !changing.contains(&at) {
                hasher.update(&record.raw[span.start..span.end]);
                hasher.update([0x1f]);
            }
        }
        hex::encode(hasher.finalize())
    }
}

/// Removes the last field of a row.
fn cut_last(raw: &mut Vec<u8>, spans: &mut Vec<Span>, delimiter: Delimiter) {
    let Some(last) = spans.pop() else { return };
    raw.truncate(last.outer.saturating_sub(1));
    if delimiter == Delimiter::Spaces {
        let length = raw.iter().rposition(|b| *b != b' ').map_or(0, |at| at + 1);
        raw.truncate(length);
    }
}

/// Writes a field's characters; nothing and an error if they are not in the encoding.
fn decode(bytes: &[u8], doubled: bool, encoding: Encoding, into: &mut String) -> Result<(), ()> {
    let text = match encoding {
        Encoding::Windows1252 => encoding_rs::WINDOWS_1252.decode_without_bom_handling(bytes).0,
        Encoding::Ascii | Encoding::Utf8 => std::str::from_utf8(bytes).map_err(|_| ())?.into(),
    };
    if doubled {
        into.push_str(&text.replace("\"\"", "\""));
    } else {
        into.push_str(&text);
    }
    Ok(())
}

/// Finds each field's column, and refuses unknown headings.
fn columns(layout: &Layout, names: &[String]) -> Result<Vec<Column>, FeedError> {
    // In listings a heading may have a constant value, which has no meaning when they are read.
    let constant = |f: &FieldMap| f.value.is_some() && layout.feed != Feed::Listings;
    let mapped = |name: &String| layout.fields.iter().flatten().any(|f| !constant(f) && f.from == **name);
    let unknown: Vec<String> = names
        .iter()
        .filter(|n| !mapped(n) && !layout.ignore.covers(n) && *n != REASON)
        .map(|n| if n.is_empty() { "one without a heading".to_owned() } else { format!("“{n}”") })
        .collect();
    if !unknown.is_empty() {
        return Err(FeedError::UnknownColumns { feed: layout.feed, names: unknown.join(", ") });
    }
    let twice = names.iter().enumerate().find(|(at, n)| mapped(n) && names[..*at].contains(n));
    if let Some((_, heading)) = twice {
        return Err(FeedError::ColumnTwice { heading: heading.clone() });
    }
    let find = |(place, field): (usize, &Option<FieldMap>)| {
        let Some(map) = field else { return Ok(Column::None) };
        match map.value.clone() {
            Some(_) if layout.feed == Feed::Listings => return Ok(Column::None),
            Some(template) => return Ok(Column::Constant(template)),
            None => {}
        }
        let own = layout.feed.fields()[place];
        match names.iter().position(|n| *n == map.from) {
            Some(at) => Ok(Column::At(at)),
            None if layout.built_in && !own.required => Ok(Column::None),
            None => Err(FeedError::MissingColumn { field: own.name, heading: map.from.clone() }),
        }
    };
    let columns = layout.fields.iter().enumerate().map(find).collect::<Result<Vec<_>, _>>()?;
    let names_nothing =
        [order::SKU, order::GTIN, order::NAME].iter().all(|f| matches!(columns.get(*f), Some(Column::None)));
    if layout.feed == Feed::Orders && names_nothing {
        return Err(FeedError::NoCode);
    }
    Ok(columns)
}
