//! Reads JSON documents and JSON Lines as records.

use crate::cells::Cells;
use crate::csv_in::REASON;
use crate::csv_row::RowReader;
use crate::fields::{CHANGES_WITH_ORDER, Feed, item, listing, order, style};
use crate::json_scan::{Document, Stop};
use crate::json_text::{elements, find, members, not_json, text};
use crate::layout::{Delimiter, Encoding, Format, Layout, Pointer};
use crate::record::{Reading, Record};
use crate::reject::{Cause, FeedError, Problem};
use crate::source::Shape;
use crate::{hash, sniff};
use serde_json::value::RawValue;
use std::io::Read;

enum Stream<R> {
    Document(Document<R>),
    Lines(RowReader<R>),
}

pub(crate) struct JsonIn<R> {
    stream: Stream<R>,
    number: u64,
    file_hash: String,
    shape: Shape,
}

type Object<'a> = [(String, &'a RawValue)];

impl<R: Read> JsonIn<R> {
    pub(crate) fn open(reader: R, reading: &Reading) -> Result<Self, FeedError> {
        let layout = reading.layout;
        let stream = if layout.format == Format::Json {
            Stream::Document(Document::open(reader, &layout.each.segments, &layout.each.text)?)
        } else {
            let mut rows = RowReader::new(reader, false).map_err(|source| FeedError::Read { source })?;
            let mark = sniff::mark(rows.window())?;
            rows.skip(mark);
            Stream::Lines(rows)
        };
        let shape = Shape {
            format: Format::JsonLines,
            delimiter: Delimiter::One(b','),
            mark: false,
            header: None,
            line_end: b"\n",
        };
        Ok(Self { stream, number: 0, file_hash: reading.file_hash.to_owned(), shape })
    }

    pub(crate) fn shape(&self) -> &Shape {
        &self.shape
    }

    /// Fills the record with the next one; none at the end of the file.
    pub(crate) fn next(&mut self, record: &mut Record, layout: &Layout) -> Option<Result<(), Problem>> {
        record.cells.clear();
        record.lines.clear();
        record.refunds.clear();
        record.encoding = Encoding::Utf8;
        let ends = |why: String| Some(Err(Problem::new(Cause::FileEnds { why })));
        let fits = match &mut self.stream {
            Stream::Document(document) => match document.next(&mut record.raw) {
                Ok(None) => return None,
                Ok(Some((line, fits))) => {
                    record.line = line;
                    fits
                }
                Err(stop) => {
                    record.raw.clear();
                    record.line = document.line();
                    return match stop {
                        Stop::Read(e) => ends(e.to_string()),
                        Stop::Broken { why, .. } => ends(why.to_owned()),
                        Stop::NotThere | Stop::Packed(_) => None,
                    };
                }
            },
            Stream::Lines(rows) => loop {
                match rows.next(&mut record.raw) {
                    Ok(None) => return None,
                    // Nothing in a blank line can be lost.
                    Ok(Some(ended)) if !ended.cut && record.raw.trim_ascii().is_empty() => {}
                    Ok(Some(ended)) => {
                        record.line = ended.line;
                        break !ended.cut;
                    }
                    Err(e) => {
                        record.raw.clear();
                        return ends(e.to_string());
                    }
                }
            },
        };
        self.number += 1;
        if !fits {
            return Some(Err(Problem::new(Cause::TooLong)));
        }
        let raw = std::mem::take(&mut record.raw);
        let read = self.read(&raw, record, layout);
        if record.raw.is_empty() {
            record.raw = raw;
        }
        Some(read)
    }

    fn read(&self, raw: &[u8], record: &mut Record, layout: &Layout) -> Result<(), Problem> {
        let raw = std::str::from_utf8(raw).map_err(|_| Problem::new(Cause::NotUtf8))?.trim_ascii();
        serde_json::from_str::<&RawValue>(raw).map_err(|e| Problem::new(not_json(&e)))?;
        let mut object = members(raw).map_err(Problem::new)?;
        if let Some(at) = object.iter().position(|(n, _)| n == REASON) {
            object.remove(at);
            record.raw = rebuilt(&object);
        }
        refuse_unknown(&object, "", layout)?;
        self.fill(&object, &mut record.cells, layout, false)?;
        if let Some(place) = &layout.lines {
            self.fill_each(&object, place, layout, &mut record.lines)?;
        }
        if let Some((place, layout)) = &layout.refunds {
            self.fill_each(&object, place, layout, &mut record.refunds)?;
        }
        Ok(())
    }

    /// The cells of each member of a list in the record.
    fn fill_each(
        &self,
        record: &Object,
        place: &Pointer,
        layout: &Layout,
        into: &mut Vec<(Cells, String)>,
    ) -> Result<(), Problem> {
        let Some(list) = find(record, &place.segments).map_err(Problem::new)? else { return Ok(()) };
        for one in elements(list).map_err(Problem::new)? {
            let object = members(one.get()).map_err(Problem::new)?;
            refuse_unknown(&object, "", layout)?;
            let mut cells = Cells::default();
            self.fill(&object, &mut cells, layout, true)?;
            into.push((cells, hash_of(&object, layout)));
        }
        Ok(())
    }

    /// Fills the cells from an object. A constant belongs to the record, not to each line.
    fn fill(
        &self,
        object: &Object,
        cells: &mut Cells,
        layout: &Layout,
        is_line: bool,
    ) -> Result<(), Problem> {
        for (place, map) in layout.fields.iter().enumerate() {
            let mut wrong = None;
            cells.push_with(|into| match map {
                None => {}
                Some(map) => match &map.value {
                    Some(_) if is_line || layout.feed == Feed::Listings => {}
                    Some(template) => template.write(&self.file_hash, self.number, into),
                    None => match text_at(object, &map.pointer, is_list(layout.feed, place)) {
                        Ok(found) => into.push_str(&found),
                        Err(cause) => wrong = Some(cause),
                    },
                },
            });
            if let Some(cause) = wrong {
                return Err(Problem::at(place, "", cause));
            }
        }
        Ok(())
    }

    pub(crate) fn identity(record: &Record, layout: &Layout) -> String {
        let raw = std::str::from_utf8(&record.raw).unwrap_or("");
        members(raw).map(|object| hash_of(&object, layout)).unwrap_or_default()
    }
}

fn text_at(object: &Object, pointer: &Pointer, list: bool) -> Result<String, Cause> {
    match find(object, &pointer.segments)? {
        Some(raw) => Ok(text(raw, list)?.into_owned()),
        None => Ok(String::new()),
    }
}

fn is_list(feed: Feed, place: usize) -> bool {
    match feed {
        Feed::Styles => place == style::SIZES,
        Feed::Items => place == item::IMAGE,
        Feed::Listings => place == listing::IMAGE,
        Feed::Orders => false,
    }
}

/// The hash that tells rows apart: of all members except those that change with the order.
fn hash_of(object: &Object, layout: &Layout) -> String {
    let place = |field: usize| layout.fields.get(field).and_then(|map| map.as_ref());
    let changing: Vec<&[String]> = CHANGES_WITH_ORDER
        .iter()
        .filter_map(|field| {
            let segments = place(*field)?.pointer.segments.as_slice();
            // Everything about a customer is personal, whether it is mapped or not.
            let whole = [order::CUSTOMER, order::EMAIL].contains(field);
            Some(if whole { segments.get(..1)? } else { segments })
        })
        .collect();
    let mut bytes = Vec::new();
    write_members(object, &changing, &mut bytes);
    hash::of_bytes(&bytes)
}

/// Writes the members except those at the given places; of a member that contains such a place, the
/// rest.
fn write_members(object: &Object, without: &[&[String]], bytes: &mut Vec<u8>) {
    for (name, value) in object {
        let below: Vec<&[String]> = without
            .iter()
            .filter_map(|segments| segments.split_first())
            .filter(|(first, _)| *first == name)
            .map(|(_, rest)| rest)
            .collect();
        if below.iter().any(|rest| rest.is_empty()) {
            continue;
        }
        bytes.extend_from_slice(name.as_bytes());
        bytes.push(0x1f);
        match members(value.get()) {
            Ok(inner) if !below.is_empty() => write_members(&inner, &below, bytes),
            _ => bytes.extend_from_slice(value.get().as_bytes()),
        }
        bytes.push(0x1e);
    }
}

/// Writes an object again without one of its members, the others unchanged.
fn rebuilt(object: &Object) -> Vec<u8> {
    let mut text = String::from("{");
    for (at, (name, value)) in object.iter().enumerate() {
        if at > 0 {
            text.push(',');
        }
        text.push_str(&serde_json::Value::from(name.as_str()).to_string());
        text.push(':');
        text.push_str(value.get());
    }
    text.push('}');
    text.into_bytes()
}

/// A list may only be addressed by position, and never stand where an object with names belongs.
fn refuse_within(list: &str, path: &str, layout: &Layout) -> Result<(), Problem> {
    let pointers = layout.fields.iter().flatten().map(|m| &m.pointer).chain(&layout.lines);
    let below = pointers.filter_map(|p| p.text.strip_prefix(path)?.strip_prefix('/'));
    let below: Vec<&str> = below.map(|rest| rest.split('/').next().unwrap_or_default()).collect();
    let is_place = |step: &&str| !step.is_empty() && step.bytes().all(|b| b.is_ascii_digit());
    if !below.iter().all(is_place) {
        return Err(Problem::new(Cause::ListForObject { path: path.to_owned() }));
    }
    for (at, element) in elements(list).map_err(Problem::new)?.into_iter().enumerate() {
        if below.contains(&at.to_string().as_str()) && element.get().starts_with('{') {
            let inner = members(element.get()).map_err(Problem::new)?;
            refuse_unknown(&inner, &format!("{path}/{at}"), layout)?;
        }
    }
    Ok(())
}

/// Refuses members that no field comes from. JSON-LD's own (`@type`) say nothing about the shop.
fn refuse_unknown(object: &Object, above: &str, layout: &Layout) -> Result<(), Problem> {
    let pointers = || {
        let fields =
            layout.fields.iter().flatten().filter(|m| m.value.is_none() || layout.feed == Feed::Listings);
        let extra = layout.extra.iter().map(|e| &e.pointer);
        fields
            .map(|m| &m.pointer)
            .chain(&layout.lines)
            .chain(layout.refunds.as_ref().map(|(at, _)| at))
            .chain(extra)
            .map(|p| p.text.as_str())
    };
    for (name, value) in object {
        let path = format!("{above}/{}", name.replace('~', "~0").replace('/', "~1"));
        let known = name.starts_with('@')
            || pointers().any(|p| p == path)
            || layout.ignore.covers(&path)
            || layout.ignore.covers(name);
        if known {
            continue;
        }
        let leads_on = pointers().any(|p| p.strip_prefix(&path).is_some_and(|rest| rest.starts_with('/')));
        match value.get().as_bytes().first() {
            Some(b'{') if leads_on => {
                let inner = members(value.get()).map_err(Problem::new)?;
                refuse_unknown(&inner, &path, layout)?;
            }
            Some(b'[') if leads_on => refuse_within(value.get(), &path, layout)?,
            _ => return Err(Problem::new(Cause::UnknownMember { path })),
        }
    }
    Ok(())
}
