//! A record on its way in, and what comes out of it.

use crate::cells::Cells;
use crate::layout::{Encoding, Layout};
use domain::day::Zone;
use domain::money::Currency;

/// What reading needs to know besides the bytes.
#[derive(Clone, Copy, Debug)]
pub struct Reading<'a> {
    /// How the file maps to our fields.
    pub layout: &'a Layout,
    /// The shop's currency.
    pub currency: Currency,
    /// The shop's zone, for dates without one of their own.
    pub zone: &'a Zone,
    /// The file's SHA-256 as hex (see [`crate::hash::file_hash`]); stands for `{file}`.
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

    /// How many bytes are held.
    pub(crate) fn size(&self) -> usize {
        self.bytes.len()
    }

    /// How many rows there are.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// Whether there is none: the problem is the file's and not a row's.
    pub fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// Each row's bytes, without the line end and without an old `reject.reason`.
    pub fn iter(&self) -> impl Iterator<Item = &[u8]> {
        let starts = std::iter::once(0).chain(self.ends.iter().copied());
        starts.zip(&self.ends).map(|(start, end)| &self.bytes[start..*end])
    }
}

/// A record that was read, with where it stood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parsed<T> {
    /// What it says.
    pub value: T,
    /// The line that it begins on, from 1.
    pub line: u64,
    /// Its rows as they came, so that it can still be refused.
    pub rows: Rows,
}

/// The buffers of one row or JSON record, used again for the next.
#[derive(Debug)]
pub(crate) struct Record {
    pub(crate) line: u64,
    pub(crate) cells: Cells,
    /// For JSON orders with `lines`: each line's cells and what tells the line from another.
    pub(crate) lines: Vec<(Cells, String)>,
    /// The same of its refunds, where they stand in a list of their own.
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
