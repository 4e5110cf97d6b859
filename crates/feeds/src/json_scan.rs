//! Finds the records of a JSON document in a stream, with one record in memory at a time.
//!
//! It follows only brackets, quotes and commas; `serde_json` then reads each record properly. A serde
//! deserializer would walk the document on its own and call us, and we could not ask it for the next
//! record.

use crate::reject::FeedError;
use crate::{MAX_ROW_BYTES, SNIFF_BYTES, sniff};
use std::io::{self, Read};

/// Why scanning stopped.
#[derive(Debug)]
pub(crate) enum Stop {
    Read(io::Error),
    Broken { line: u64, why: &'static str },
    NotThere,
    Packed(&'static str),
}

const EARLY: &str = "the document ends in the middle";

/// Bytes in order, and the line they are on.
struct Bytes<R> {
    inner: R,
    buffer: Box<[u8]>,
    at: usize,
    end: usize,
    line: u64,
}

impl<R: Read> Bytes<R> {
    fn peek(&mut self) -> Result<Option<u8>, Stop> {
        while self.at == self.end {
            match self.inner.read(&mut self.buffer) {
                Ok(0) => return Ok(None),
                Ok(n) => (self.at, self.end) = (0, n),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(Stop::Read(e)),
            }
        }
        Ok(Some(self.buffer[self.at]))
    }

    fn bump(&mut self) {
        self.line += u64::from(self.buffer[self.at] == b'\n');
        self.at += 1;
    }

    fn broken<T>(&self, why: &'static str) -> Result<T, Stop> {
        Err(Stop::Broken { line: self.line, why })
    }

    /// The next byte that is not a space, without consuming it.
    fn solid(&mut self) -> Result<u8, Stop> {
        while let Some(byte) = self.peek()? {
            if !matches!(byte, b' ' | b'\t' | b'\r' | b'\n') {
                return Ok(byte);
            }
            self.bump();
        }
        self.broken(EARLY)
    }

    fn take(&mut self, byte: u8, why: &'static str) -> Result<(), Stop> {
        if self.solid()? != byte {
            return self.broken(why);
        }
        self.bump();
        Ok(())
    }

    /// Skips one value and keeps its bytes up to the limit; returns whether all of them fit.
    fn value(&mut self, raw: &mut Vec<u8>, limit: usize) -> Result<bool, Stop> {
        raw.clear();
        let (mut depth, mut quoted, mut escaped, mut fits) = (0_u64, false, false, true);
        let bare = !matches!(self.solid()?, b'{' | b'[' | b'"');
        loop {
            let Some(byte) = self.peek()? else {
                return if bare && !raw.is_empty() { Ok(fits) } else { self.broken(EARLY) };
            };
            if bare && matches!(byte, b',' | b']' | b'}' | b':' | b' ' | b'\t' | b'\r' | b'\n') {
                return if raw.is_empty() && limit > 0 {
                    self.broken("a value is missing")
                } else {
                    Ok(fits)
                };
            }
            self.bump();
            if raw.len() < limit {
                raw.push(byte);
            } else {
                fits = false;
            }
            match byte {
                _ if escaped => escaped = false,
                b'\\' if quoted => escaped = true,
                b'"' => quoted = !quoted,
                b'{' | b'[' if !quoted => depth += 1,
                b'}' | b']' if !quoted => depth = depth.saturating_sub(1),
                _ => {}
            }
            if !bare && depth == 0 && !quoted {
                return Ok(fits);
            }
        }
    }
}

/// The records of a document: the members of the list at a JSON Pointer, or the one object there.
pub(crate) struct Document<R> {
    bytes: Bytes<R>,
    /// The brackets that are open around the records, outermost first.
    open: Vec<u8>,
    state: State,
    scratch: Vec<u8>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    One,
    First,
    More,
    Done,
}

impl<R: Read> Document<R> {
    /// Moves to the pointer.
    pub(crate) fn open(inner: R, segments: &[String], pointer: &str) -> Result<Self, FeedError> {
        let buffer = vec![0; SNIFF_BYTES].into_boxed_slice();
        let bytes = Bytes { inner, buffer, at: 0, end: 0, line: 1 };
        let mut new = Self { bytes, open: Vec::new(), state: State::One, scratch: Vec::new() };
        new.walk(segments).map_err(|stop| match stop {
            Stop::Read(source) => FeedError::Read { source },
            Stop::Broken { line, why } => FeedError::NotJson { line, why },
            Stop::NotThere => FeedError::NoRecords { pointer: pointer.to_owned() },
            Stop::Packed(kind) => FeedError::Compressed { kind },
        })?;
        Ok(new)
    }

    pub(crate) fn line(&self) -> u64 {
        self.bytes.line
    }

    fn walk(&mut self, segments: &[String]) -> Result<(), Stop> {
        self.skip_mark()?;
        for step in segments {
            match self.bytes.solid()? {
                b'{' => self.enter_object(step)?,
                b'[' => self.enter_list(step)?,
                _ => return Err(Stop::NotThere),
            }
        }
        match self.bytes.solid()? {
            b'[' => {
                self.bytes.bump();
                self.open.push(b'[');
                self.state = State::First;
                Ok(())
            }
            b'{' => Ok(()),
            _ => Err(Stop::NotThere),
        }
    }

    /// A byte order mark is not JSON but harmless; UTF-16 is recognized by its first byte.
    fn skip_mark(&mut self) -> Result<(), Stop> {
        self.bytes.peek()?;
        if let Some(kind) = sniff::compressed(&self.bytes.buffer[self.bytes.at..self.bytes.end]) {
            return Err(Stop::Packed(kind));
        }
        if self.bytes.peek()? == Some(0xef) {
            for byte in *b"\xef\xbb\xbf" {
                self.bytes.take(byte, "it does not begin with a bracket or brace")?;
            }
        }
        if matches!(self.bytes.peek()?, Some(0xff | 0xfe | 0)) {
            return self.bytes.broken("it is written in UTF-16; save it again as UTF-8");
        }
        Ok(())
    }

    fn enter_object(&mut self, step: &str) -> Result<(), Stop> {
        self.bytes.take(b'{', "")?;
        if self.bytes.solid()? == b'}' {
            return Err(Stop::NotThere);
        }
        loop {
            let key = self.key()?;
            if key.as_deref() == Some(step) {
                self.open.push(b'{');
                return Ok(());
            }
            self.bytes.value(&mut self.scratch, 0)?;
            if self.bytes.solid()? == b'}' {
                return Err(Stop::NotThere);
            }
            self.bytes.take(b',', "a comma is missing between two members")?;
        }
    }

    /// A member's name and its colon; none if the name is broken or longer than any we look for.
    fn key(&mut self) -> Result<Option<String>, Stop> {
        if self.bytes.solid()? != b'"' {
            return self.bytes.broken("a member's name is missing");
        }
        self.bytes.value(&mut self.scratch, MAX_ROW_BYTES)?;
        self.bytes.take(b':', "a colon is missing behind a member's name")?;
        Ok(serde_json::from_slice(&self.scratch).ok())
    }

    fn enter_list(&mut self, step: &str) -> Result<(), Stop> {
        self.bytes.take(b'[', "")?;
        let places: usize = step.parse().map_err(|_| Stop::NotThere)?;
        for _ in 0..places {
            if self.bytes.solid()? == b']' {
                return Err(Stop::NotThere);
            }
            self.bytes.value(&mut self.scratch, 0)?;
            if self.bytes.solid()? == b']' {
                return Err(Stop::NotThere);
            }
            self.bytes.take(b',', "a comma is missing between two values")?;
        }
        self.open.push(b'[');
        Ok(())
    }

    /// The next record's bytes, its line, and whether it fits; none at the end of the document.
    pub(crate) fn next(&mut self, raw: &mut Vec<u8>) -> Result<Option<(u64, bool)>, Stop> {
        match self.state {
            State::Done => return Ok(None),
            State::One => self.state = State::Done,
            State::First | State::More => {
                let closes = self.bytes.solid()? == b']';
                if closes {
                    self.state = State::Done;
                    self.close()?;
                    return Ok(None);
                }
                if self.state == State::More {
                    self.bytes.take(b',', "a comma is missing between two records")?;
                }
                self.state = State::More;
            }
        }
        self.bytes.solid()?;
        let line = self.bytes.line;
        let fits = self.bytes.value(raw, MAX_ROW_BYTES)?;
        if self.state == State::Done {
            self.close()?;
        }
        Ok(Some((line, fits)))
    }

    /// Reads the rest of the document, so that one that is cut off after its records is noticed.
    fn close(&mut self) -> Result<(), Stop> {
        while let Some(open) = self.open.pop() {
            let closing = if open == b'[' { b']' } else { b'}' };
            while self.bytes.solid()? != closing {
                self.bytes.take(b',', "a bracket or comma is missing")?;
                if open == b'{' {
                    self.key()?;
                }
                self.bytes.value(&mut self.scratch, 0)?;
            }
            self.bytes.bump();
        }
        match self.bytes.solid() {
            Err(Stop::Broken { why: EARLY, .. }) => Ok(()),
            Err(stop) => Err(stop),
            Ok(_) => self.bytes.broken("something stands behind the document's end"),
        }
    }
}
