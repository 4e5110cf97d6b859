//! Reads orders: neighboring rows form one order, which is accepted or rejected whole.

use crate::MAX_ORDERS;
use crate::fields::{Feed, order};
use crate::layout::Layout;
use crate::order_group::{Group, Key, Row};
use crate::record::{Parsed, Reading, Record};
use crate::reject::{Cause, FeedError, Problem, Reject};
use crate::source::{Shape, Source};
use crate::values::Values;
use domain::order::IncomingOrder;
use std::collections::{HashSet, VecDeque};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{Read, Seek};

/// The channel of an order if neither the file nor the layout names one.
const DEFAULT_CHANNEL: &str = "online";

/// The orders of a file, each accepted or rejected; reading goes on after a rejection.
pub struct Orders<'a, R> {
    source: Source<R>,
    reading: Reading<'a>,
    past: bool,
    /// Orders whose rows are in several places.
    split: HashSet<u64>,
    record: Record,
    /// The order that the next row may still belong to.
    group: Option<Group>,
    /// The row just read, which belongs to no known order and may belong to the next one.
    beside: Option<u64>,
    ready: VecDeque<Result<Parsed<IncomingOrder>, Reject>>,
    over: bool,
}

/// Reads a file of orders. A first pass finds orders whose rows are not together, before any order is
/// returned. With `past`, a line may have a name without a code, and cost nothing.
///
/// The first pass remembers 64 bits of each order. By chance two of four million orders share them once
/// in two million such files; they would then be rejected, never mixed.
pub fn read_orders<R: Read + Seek>(
    mut file: R,
    reading: Reading<'_>,
    past: bool,
) -> Result<Orders<'_, R>, FeedError> {
    let failed = |source| FeedError::Read { source };
    let split = if stand_alone(reading.layout) {
        HashSet::new()
    } else {
        find_split(Source::open(&mut file, &reading, Feed::Orders)?, &reading)?
    };
    file.rewind().map_err(failed)?;
    let source = Source::open(file, &reading, Feed::Orders)?;
    let maps = |field| reading.layout.maps(field);
    if !past && !maps(order::SKU) && !maps(order::GTIN) {
        return Err(FeedError::NoCode);
    }
    Ok(Orders {
        source,
        reading,
        past,
        split,
        record: Record::new(),
        group: None,
        beside: None,
        ready: VecDeque::new(),
        over: false,
    })
}

/// Whether each record is an order of its own, by its form or because its number comes from the row.
fn stand_alone(layout: &Layout) -> bool {
    let number = layout.fields[order::NUMBER].as_ref().and_then(|m| m.value.as_ref());
    layout.lines.is_some() || number.is_some_and(crate::template::Template::differs_by_row)
}

fn find_split<R: Read>(mut source: Source<R>, reading: &Reading) -> Result<HashSet<u64>, FeedError> {
    let mut record = Record::new();
    let (mut seen, mut split) = (HashSet::new(), HashSet::new());
    let mut current = None;
    while let Some(read) = source.next(&mut record, reading.layout) {
        if read.as_ref().is_err_and(|p| matches!(p.cause, Cause::FileEnds { .. })) {
            break;
        }
        let values = Values::new(&record.cells, None, reading);
        let Some(hash) = key_of(&values, read.is_ok() || source.keeps_key()).map(hash_of) else { continue };
        if current == Some(hash) {
            continue;
        }
        current = Some(hash);
        if !seen.insert(hash) {
            split.insert(hash);
        }
        if seen.len() > MAX_ORDERS {
            return Err(FeedError::TooManyOrders);
        }
    }
    Ok(split)
}

/// Number and channel of a row; none if they cannot be read.
fn key_of<'a>(values: &Values<'a>, known: bool) -> Option<(&'a str, &'a str)> {
    let number = values.raw(order::NUMBER).trim();
    let channel = match values.raw(order::CHANNEL) {
        "" => values.reading.layout.channel.as_ref().map_or(DEFAULT_CHANNEL, |c| c.as_str()),
        channel => channel,
    };
    (known && !number.is_empty()).then_some((number, channel))
}

fn hash_of(key: (&str, &str)) -> u64 {
    let mut hasher = DefaultHasher::new();
    key.hash(&mut hasher);
    hasher.finish()
}

impl<R: Read> Orders<'_, R> {
    /// The format of the file, for [`crate::RejectsWriter`].
    pub fn shape(&self) -> &Shape {
        self.source.shape()
    }

    /// Reads one record, and moves what it completes to the finished orders.
    fn step(&mut self) {
        let layout = self.reading.layout;
        let Some(read) = self.source.next(&mut self.record, layout) else {
            self.over = true;
            self.finish_group();
            return;
        };
        match read {
            Err(problem) if matches!(problem.cause, Cause::FileEnds { .. }) => self.end_early(&problem),
            read if layout.lines.is_some() => self.take_whole(read),
            read => self.take_row(read),
        }
    }

    fn finish_group(&mut self) {
        if let Some(done) = self.group.take().and_then(|g| g.finish(self.reading.layout)) {
            self.ready.push_back(done);
        }
    }

    /// The rest of the file is lost, and with it perhaps rows of the open order.
    fn end_early(&mut self, problem: &Problem) {
        let line = self.record.line;
        self.over = true;
        if let Some(group) = &mut self.group {
            group.fail(Problem::new(Cause::Beside { line }), line);
        }
        self.finish_group();
        let rows = crate::record::Rows::default();
        self.ready.push_back(Err(Reject::new(line, problem.cause.clone(), rows)));
    }

    /// A JSON record with a whole order.
    fn take_whole(&mut self, read: Result<(), Problem>) {
        let line = self.record.line;
        let values = Values::new(&self.record.cells, None, &self.reading);
        let key = key_of(&values, read.is_ok());
        let mut group = Group::new(key.map(owned), line, self.reading.currency);
        group.keep(&self.record.raw, self.record.encoding);
        match read {
            Err(problem) => group.fail(problem, line),
            Ok(()) if group.key.is_none() => group.fail(Problem::at(order::NUMBER, "", Cause::Missing), line),
            Ok(()) => {}
        }
        for (at, (cells, hash)) in self.record.lines.iter().enumerate() {
            if group.has_failed() {
                break;
            }
            let values = Values::new(cells, Some(&self.record.cells), &self.reading);
            let identity = || hash.clone();
            let row = Row { line, first: at == 0, past: self.past, identity: &identity };
            if let Err(problem) = group.add(&values, row) {
                group.fail(problem, line);
            }
        }
        if let Some((_, layout)) = &self.reading.layout.refunds {
            let reading = Reading { layout, ..self.reading };
            for (cells, hash) in &self.record.refunds {
                if group.has_failed() {
                    break;
                }
                let identity = || hash.clone();
                let row = Row { line, first: false, past: self.past, identity: &identity };
                if let Err(problem) = group.add_back(&Values::new(cells, None, &reading), row) {
                    group.fail(problem, line);
                }
            }
        }
        self.ready.extend(group.finish(self.reading.layout));
    }

    /// A row that may belong to the open order or begin another.
    fn take_row(&mut self, read: Result<(), Problem>) {
        let line = self.record.line;
        let values = Values::new(&self.record.cells, None, &self.reading);
        let key = key_of(&values, read.is_ok() || self.source.keeps_key());
        let goes_on = match (&self.group, &key) {
            (Some(group), Some(key)) => {
                group.key.as_ref().is_some_and(|k| (k.number.as_str(), k.channel.as_str()) == *key)
            }
            (Some(_), None) => true,
            (None, _) => false,
        };
        if !goes_on {
            let next = key.map(owned);
            self.finish_group();
            self.begin(next);
        }
        let values = Values::new(&self.record.cells, None, &self.reading);
        let Some(group) = &mut self.group else { return };
        group.keep(&self.record.raw, self.record.encoding);
        self.beside = None;
        match read {
            Err(problem) => {
                if key_of(&values, self.source.keeps_key()).is_none() {
                    self.beside = Some(line);
                }
                group.fail(problem, line);
            }
            Ok(()) if key_of(&values, true).is_none() => {
                self.beside = Some(line);
                group.fail(Problem::at(order::NUMBER, "", Cause::Missing), line);
            }
            Ok(()) if group.has_failed() => {}
            Ok(()) => {
                let identity = || self.source.identity(&self.record, self.reading.layout);
                let row = Row { line, first: true, past: self.past, identity: &identity };
                if let Err(problem) = group.add(&values, row) {
                    group.fail(problem, line);
                }
            }
        }
        if group.is_overfull() {
            let part = group.refuse_part(self.reading.layout);
            self.ready.push_back(Err(part));
        }
    }

    fn begin(&mut self, key: Option<Key>) {
        let line = self.record.line;
        let mut group = Group::new(key, line, self.reading.currency);
        if let Some(broken) = self.beside {
            group.fail(Problem::new(Cause::Beside { line: broken }), line);
        }
        let is_split =
            group.key.as_ref().is_some_and(|k| self.split.contains(&hash_of((&k.number, &k.channel))));
        if is_split {
            group.fail(Problem::new(Cause::Split), line);
        }
        self.group = Some(group);
    }
}

fn owned((number, channel): (&str, &str)) -> Key {
    Key { number: number.to_owned(), channel: channel.to_owned() }
}

impl<R: Read> Iterator for Orders<'_, R> {
    type Item = Result<Parsed<IncomingOrder>, Reject>;

    fn next(&mut self) -> Option<Self::Item> {
        while self.ready.is_empty() && !self.over {
            self.step();
        }
        self.ready.pop_front()
    }
}
