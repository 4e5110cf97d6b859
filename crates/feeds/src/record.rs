//! A record being read, and what becomes of it.

use crate::cells::Cells;
use crate::layout::{Encoding, Layout};
use domain::day::Zone;
use domain::money::Currency;

/// What is needed to read a file, besides its bytes.
#[derive(Clone, Copy, Debug)]
pub struct Reading<'a> {
    /// How the file maps to our fields.
    pub layout: &'a Layout,
    /// The shop's currency.
    pub currency: Currency,
    /// The shop's zone, for dates without one.
    pub zone: &'a Zone,
    /// The file's SHA-256 in hex (see [`crate::hash::file_hash`]), which stands for `{file}`.
    pub file_hash: &'a str,
}

/// The bytes of the rows that a record came from, for the rejects file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rows {
    bytes: Vec<u8>,
    ends: Vec<usize>,
    pub(crate) encoding: Encoding,
}

impl Default for Rows {
    fn default() -> Self {
        Self { bytes: Vec::new(), ends: Vec::new(), encoding: Encoding::Ascii }
    }
}

impl Rows {
    /// One row.
    pub(crate) fn one(raw: &[u8], encoding: Encoding) -> Self {
        Self { bytes: raw.to_vec(), ends: vec![raw.len()], encoding }
    }

    pub(crate) fn push(&mut self, raw: &[u8], encoding: Encoding) {
        self.bytes.extend_from_slice(raw);
        self.ends.push(self.bytes.len());
        self.encoding = encoding;
    }

    /// In bytes.
    pub(crate) fn size(&self) -> usize {
        self.bytes.len()
    }

    /// The number of rows.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// Whether there are no rows: then the problem concerns the whole file.
    pub fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// Each row's bytes, without the line end and without an old `reject.reason`.
    pub fn iter(&self) -> impl Iterator<Item = &[u8]> {
        let starts = std::iter::once(0).chain(self.ends.iter().copied());
        starts.zip(&self.ends).map(|(start, end)| &self.bytes[start..*end])
    }
}

/// An accepted record, with its position.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parsed<T> {
    /// The record's contents.
    pub value: T,
    /// The line that it begins on, from 1.
    pub line: u64,
    /// Its rows as they came, in case it is rejected later.
    pub rows: Rows,
}

/// The buffers of one row or JSON record, reused for the next.
#[derive(Debug)]
pub(crate) struct Record {
    pub(crate) line: u64,
    pub(crate) cells: Cells,
    /// For JSON orders with `lines`: each line's cells, and the hash that tells the line from others.
    pub(crate) lines: Vec<(Cells, String)>,
    /// The same for its refunds, if they are in a list of their own.
    pub(crate) refunds: Vec<(Cells, String)>,
    /// As it came, without the line end and without an old `reject.reason`.
    pub(crate) raw: Vec<u8>,
    pub(crate) encoding: Encoding,
}

impl Record {
    pub(crate) fn new() -> Self {
        Self {
            line: 1,
            cells: Cells::default(),
            lines: Vec::new(),
            refunds: Vec::new(),
            raw: Vec::new(),
            encoding: Encoding::Ascii,
        }
    }

    pub(crate) fn rows(&self) -> Rows {
        if self.raw.is_empty() { Rows::default() } else { Rows::one(&self.raw, self.encoding) }
    }
}
