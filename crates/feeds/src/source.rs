//! One way to read records, whatever the file's format.

use crate::csv_in::CsvIn;
use crate::fields::Feed;
use crate::json_in::JsonIn;
use crate::layout::{Delimiter, Format, Layout};
use crate::record::{Parsed, Reading, Record};
use crate::reject::{FeedError, Problem, Reject};
use crate::values::Values;
use std::io::Read;

/// How a file is written, for a rejects file of the same kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shape {
    /// CSV, or JSON Lines for all JSON.
    pub(crate) format: Format,
    pub(crate) delimiter: Delimiter,
    /// Whether it begins with a byte order mark.
    pub(crate) mark: bool,
    /// The bytes of the heading.
    pub(crate) header: Option<Vec<u8>>,
    pub(crate) line_end: &'static [u8],
}

impl Shape {
    /// The format of the rejects file: CSV, or JSON Lines for all JSON.
    pub fn format(&self) -> Format {
        self.format
    }
}

/// Records out of a file.
pub(crate) enum Source<R> {
    Csv(CsvIn<R>),
    Json(JsonIn<R>),
}

impl<R: Read> Source<R> {
    pub(crate) fn open(reader: R, reading: &Reading, wanted: Feed) -> Result<Self, FeedError> {
        if reading.layout.feed != wanted {
            return Err(FeedError::OtherFeed { layout: reading.layout.feed, wanted });
        }
        match reading.layout.format {
            Format::Csv => CsvIn::open(reader, reading).map(Self::Csv),
            Format::Json | Format::JsonLines => JsonIn::open(reader, reading).map(Self::Json),
        }
    }

    pub(crate) fn next(&mut self, record: &mut Record, layout: &Layout) -> Option<Result<(), Problem>> {
        match self {
            Self::Csv(csv) => csv.next(record),
            Self::Json(json) => json.next(record, layout),
        }
    }

    pub(crate) fn shape(&self) -> &Shape {
        match self {
            Self::Csv(csv) => csv.shape(),
            Self::Json(json) => json.shape(),
        }
    }

    /// Whether an order's key can be read from a row that could not be split.
    pub(crate) fn keeps_key(&self) -> bool {
        match self {
            Self::Csv(csv) => csv.keeps_key(),
            Self::Json(_) => false,
        }
    }

    /// The hash that tells the record's row from others.
    pub(crate) fn identity(&self, record: &Record, layout: &Layout) -> String {
        match self {
            Self::Csv(csv) => csv.identity(record),
            Self::Json(_) => JsonIn::<R>::identity(record, layout),
        }
    }
}

/// Adds the field, and what the file calls it.
pub(crate) fn placed(reject: Reject, problem: &Problem, layout: &Layout) -> Reject {
    let Some(field) = problem.field else { return reject };
    let heading = match &layout.fields[field] {
        Some(map) if map.value.is_some() => "the layout's constant".to_owned(),
        Some(map) => map.from.clone(),
        None => String::new(),
    };
    reject.in_field(layout.feed.fields()[field].name, heading, &problem.value)
}

/// The records of a file with one record per row, each accepted or rejected; reading goes on after a
/// rejection.
pub struct Records<'a, R, T> {
    source: Source<R>,
    record: Record,
    reading: Reading<'a>,
    take: fn(&Values) -> Result<T, Problem>,
    over: bool,
}

impl<'a, R: Read, T> Records<'a, R, T> {
    pub(crate) fn open(
        reader: R,
        reading: Reading<'a>,
        feed: Feed,
        take: fn(&Values) -> Result<T, Problem>,
    ) -> Result<Self, FeedError> {
        let source = Source::open(reader, &reading, feed)?;
        Ok(Self { source, record: Record::new(), reading, take, over: false })
    }

    /// The format of the file, for [`crate::RejectsWriter`].
    pub fn shape(&self) -> &Shape {
        self.source.shape()
    }
}

impl<R: Read, T> Iterator for Records<'_, R, T> {
    type Item = Result<Parsed<T>, Reject>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.over {
            return None;
        }
        let layout = self.reading.layout;
        let read = self.source.next(&mut self.record, layout)?;
        let values = Values::new(&self.record.cells, None, &self.reading);
        let (line, rows) = (self.record.line, self.record.rows());
        Some(match read.and_then(|()| (self.take)(&values)) {
            Ok(value) => Ok(Parsed { value, line, rows }),
            Err(problem) => {
                let reject = placed(Reject::new(line, problem.cause.clone(), rows), &problem, layout);
                self.over = reject.ends_file();
                Err(reject)
            }
        })
    }
}
