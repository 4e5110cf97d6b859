//! Splits a stream of bytes into rows, and rows into fields.
//!
//! We do not use the `csv` crate's reader: it takes stray quotes for text, accepts rows of any length,
//! and does not return a row's original bytes, which the rejects file needs. A test compares both.

use crate::layout::Delimiter;
use crate::reject::Cause;
use crate::{MAX_FIELDS, MAX_ROW_BYTES, SNIFF_BYTES};
use std::io::{self, Read};

/// How the row just read ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Ended {
    /// The line on which the row began.
    pub(crate) line: u64,
    /// Its line end; empty at the end of the file.
    pub(crate) with: &'static [u8],
    /// Longer than [`MAX_ROW_BYTES`]; only its beginning was kept.
    pub(crate) cut: bool,
}

/// Splits a stream of bytes into rows. Only a quote at the start of a field begins a quoted field, so a
/// stray quote spoils its own row and no other.
pub(crate) struct RowReader<R> {
    inner: R,
    buffer: Box<[u8]>,
    at: usize,
    end: usize,
    line: u64,
    /// In CSV, quotes protect line ends and CR ends a row; in JSON Lines only LF ends one.
    quotes: bool,
    delimiter: Delimiter,
    /// The last row ended with CR, so a following LF belongs to it.
    after_cr: bool,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Place {
    Start,
    Plain,
    Quoted,
    AfterQuote,
}

impl<R: Read> RowReader<R> {
    pub(crate) fn new(inner: R, quotes: bool) -> io::Result<Self> {
        let buffer = vec![0; SNIFF_BYTES].into_boxed_slice();
        let delimiter = Delimiter::One(b',');
        let mut new = Self { inner, buffer, at: 0, end: 0, line: 1, quotes, delimiter, after_cr: false };
        while new.end < new.buffer.len() && new.read_more()? {}
        Ok(new)
    }

    /// The first bytes, for looking at before any row is read.
    pub(crate) fn window(&self) -> &[u8] {
        &self.buffer[self.at..self.end]
    }

    pub(crate) fn skip(&mut self, bytes: usize) {
        self.at += bytes;
    }

    pub(crate) fn set_delimiter(&mut self, delimiter: Delimiter) {
        self.delimiter = delimiter;
    }

    fn read_more(&mut self) -> io::Result<bool> {
        loop {
            match self.inner.read(&mut self.buffer[self.end..]) {
                Ok(n) => {
                    self.end += n;
                    return Ok(n > 0);
                }
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
    }

    /// Whether there is another byte.
    fn has_byte(&mut self) -> io::Result<bool> {
        if self.at < self.end {
            return Ok(true);
        }
        (self.at, self.end) = (0, 0);
        self.read_more()
    }

    /// The bytes of the next row without its line end; none at the end of the file.
    pub(crate) fn next(&mut self, raw: &mut Vec<u8>) -> io::Result<Option<Ended>> {
        raw.clear();
        if self.after_cr && self.has_byte()? && self.buffer[self.at] == b'\n' {
            self.at += 1;
        }
        self.after_cr = false;
        let mut ended = Ended { line: self.line, with: b"", cut: false };
        if !self.has_byte()? {
            return Ok(None);
        }
        let mut scan = Scan { place: Place::Start, cr: false, inner_lines: 0 };
        while self.has_byte()? {
            let chunk = &self.buffer[self.at..self.end];
            let (used, last) = scan.row_end(chunk, self.quotes, self.delimiter.byte());
            let room = MAX_ROW_BYTES - raw.len();
            raw.extend_from_slice(&chunk[..used.min(room)]);
            ended.cut |= used > room;
            self.at += used;
            if let Some(last) = last {
                self.at += 1;
                self.line += 1;
                ended.with = if last == b'\n' { b"\n" } else { b"\r" };
                if last == b'\r' {
                    self.after_cr = true;
                    if self.has_byte()? && self.buffer[self.at] == b'\n' {
                        ended.with = b"\r\n";
                    }
                }
                break;
            }
        }
        self.line += scan.inner_lines;
        Ok(Some(ended))
    }
}

/// How far into a row the reader is.
struct Scan {
    place: Place,
    /// The last byte of a quoted field was a CR.
    cr: bool,
    /// Line ends inside quoted fields: LF, CR and CRLF count one each.
    inner_lines: u64,
}

impl Scan {
    /// How many bytes belong to the row, and its line end if that is there.
    fn row_end(&mut self, chunk: &[u8], quotes: bool, delimiter: u8) -> (usize, Option<u8>) {
        let mut place = self.place;
        for (at, byte) in chunk.iter().copied().enumerate() {
            place = match (place, byte) {
                (Place::Quoted, b'"') => Place::AfterQuote,
                (Place::Quoted, byte) => {
                    self.inner_lines += u64::from(byte == b'\r' || (byte == b'\n' && !self.cr));
                    self.cr = byte == b'\r';
                    Place::Quoted
                }
                (_, b'\n') => return (at, Some(byte)),
                (_, b'\r') if quotes => return (at, Some(byte)),
                (Place::AfterQuote, b'"') => Place::Quoted,
                (Place::Start, b'"') if quotes => Place::Quoted,
                (_, b) if b == delimiter => Place::Start,
                _ => Place::Plain,
            };
        }
        self.place = place;
        (chunk.len(), None)
    }
}

/// Where a field is in its row, without its quotes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Span {
    pub(crate) start: usize,
    pub(crate) end: usize,
    /// It contains doubled quotes.
    pub(crate) doubled: bool,
    /// Where its opening quote is.
    pub(crate) outer: usize,
}

/// Splits a row into fields. After an error, the fields before it are there.
pub(crate) fn part(raw: &[u8], delimiter: Delimiter, spans: &mut Vec<Span>) -> Result<(), Cause> {
    spans.clear();
    let byte = delimiter.byte();
    let spaces = delimiter == Delimiter::Spaces;
    let mut at = 0;
    loop {
        if spaces {
            at += raw[at..].iter().take_while(|b| **b == byte).count();
            if at == raw.len() {
                return Ok(());
            }
        }
        if spans.len() == MAX_FIELDS {
            return Err(Cause::TooManyFields);
        }
        let span = if raw.get(at) == Some(&b'"') { quoted(raw, at)? } else { plain(raw, at, byte)? };
        let end = span.end + usize::from(span.start > span.outer);
        match raw.get(end) {
            None => {
                spans.push(span);
                return Ok(());
            }
            Some(b) if *b == byte => spans.push(span),
            Some(_) => return Err(Cause::AfterQuote),
        }
        at = end + 1;
    }
}

fn plain(raw: &[u8], start: usize, delimiter: u8) -> Result<Span, Cause> {
    let rest = &raw[start..];
    let length = rest.iter().position(|b| *b == delimiter || *b == b'"').unwrap_or(rest.len());
    if rest.get(length) == Some(&b'"') {
        return Err(Cause::StrayQuote);
    }
    Ok(Span { start, end: start + length, doubled: false, outer: start })
}

fn quoted(raw: &[u8], outer: usize) -> Result<Span, Cause> {
    let start = outer + 1;
    let (mut at, mut doubled) = (start, false);
    loop {
        let length = raw[at..].iter().position(|b| *b == b'"').ok_or(Cause::OpenQuote)?;
        at += length;
        if raw.get(at + 1) != Some(&b'"') {
            return Ok(Span { start, end: at, doubled, outer });
        }
        doubled = true;
        at += 2;
    }
}

#[cfg(test)]
mod tests;
