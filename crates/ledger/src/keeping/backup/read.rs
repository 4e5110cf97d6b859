//! Reads a backup row by row and, at its end, says whether it was complete.

use super::pictures::{self, FILE, PictureFile};
use super::{BackupError, FORMAT, Header, Trailer, VERSION, table_headers};
use crate::store::schema_step;
use crate::store::tables::{Kind, TABLES, Table};
use domain::objects::Objects;
use serde::Deserialize;
use serde_json::Value as Json;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

/// The longest line, in bytes: far above the longest stored answer, far below a machine's memory.
const MAX_LINE: u64 = 64 * 1024 * 1024;
/// The longest first line, in bytes.
const MAX_HEADER: u64 = 1024 * 1024;

/// A value with the type of its column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Value {
    Int(Option<i64>),
    Text(Option<String>),
}

/// A row and its table.
pub(super) type Row = (&'static Table, Vec<Value>);

/// The contents of a line between the first and the last.
pub(super) enum Entry {
    /// A row of a table.
    Row(Row),
    /// A file of a picture.
    File(PictureFile),
}

/// Whether a file begins like a backup; one that is damaged further on still counts.
pub(super) fn is_backup(file: &Path) -> bool {
    let beginning = format!("{{\"format\":\"{FORMAT}\"");
    let mut found = Vec::new();
    let read = File::open(file).and_then(|f| f.take(beginning.len() as u64).read_to_end(&mut found));
    read.is_ok() && found == beginning.as_bytes()
}

/// A backup that is being read.
pub(super) struct Reader {
    path: PathBuf,
    lines: BufReader<File>,
    line: u64,
    hash: Sha256,
    counts: BTreeMap<String, u64>,
    /// The position in [`TABLES`] of the last row: rows are in the order of the tables, followed by the
    /// picture files.
    table: usize,
}

impl Reader {
    /// Opens it and reads its first line. A newer program's file is rejected here; the rest of the
    /// first line is used once its hash is known to be right.
    pub(super) fn open(path: &Path) -> Result<(Self, Opened), BackupError> {
        let file = File::open(path).map_err(|source| BackupError::Read { path: path.to_owned(), source })?;
        let mut reader = Self {
            path: path.to_owned(),
            lines: BufReader::with_capacity(1 << 18, file),
            line: 0,
            hash: Sha256::new(),
            counts: TABLES.iter().map(|t| (t.name.to_owned(), 0)).collect(),
            table: 0,
        };
        if !is_backup(path) {
            return Err(BackupError::NotABackup { path: path.to_owned() });
        }
        let first = reader.next_line(MAX_HEADER)?.ok_or_else(|| reader.cut_off())?;
        reader.hash.update(&first);
        let plain: Json = serde_json::from_slice(&first).map_err(|_| reader.damaged())?;
        let number = |name: &str| plain.get(name).and_then(Json::as_i64).unwrap_or(0);
        let (version, step) = (number("version"), number("schema"));
        if version > VERSION {
            return Err(BackupError::Newer { path: reader.path, version, step });
        }
        if version > 1 {
            reader.counts.insert(FILE.to_owned(), 0);
        }
        let header = Header::deserialize(Objects(plain)).ok();
        Ok((reader, Opened { header, step }))
    }

    fn cut_off(&self) -> BackupError {
        BackupError::CutOff { path: self.path.clone(), lines: self.line }
    }

    fn damaged(&self) -> BackupError {
        BackupError::Damaged { path: self.path.clone(), line: Some(self.line) }
    }

    /// The next complete line with its line end; none at the end of the file. An incomplete line was
    /// cut off.
    fn next_line(&mut self, most: u64) -> Result<Option<Vec<u8>>, BackupError> {
        let mut line = Vec::new();
        let read = (&mut self.lines).take(most).read_until(b'\n', &mut line);
        read.map_err(|source| BackupError::Read { path: self.path.clone(), source })?;
        if line.is_empty() {
            return Ok(None);
        }
        if line.last() != Some(&b'\n') {
            let at_end = (line.len() as u64) < most;
            self.line += u64::from(!at_end);
            return Err(if at_end { self.cut_off() } else { self.damaged() });
        }
        self.line += 1;
        Ok(Some(line))
    }

    /// The next row or file; none after the last one, if the whole backup is what was written.
    pub(super) fn next_entry(&mut self) -> Result<Option<Entry>, BackupError> {
        let line = self.next_line(MAX_LINE)?.ok_or_else(|| self.cut_off())?;
        if line.first() == Some(&b'{') {
            return self.end(&line).map(|()| None);
        }
        self.hash.update(&line);
        let entry = self.entry(&line).ok_or_else(|| self.damaged())?;
        let of = match &entry {
            Entry::Row((table, _)) => table.name,
            Entry::File(_) => FILE,
        };
        *self.counts.entry(of.to_owned()).or_default() += 1;
        Ok(Some(entry))
    }

    fn entry(&mut self, line: &[u8]) -> Option<Entry> {
        let values: Vec<Json> = serde_json::from_slice(line).ok()?;
        if values.first()?.as_str()? == FILE && self.counts.contains_key(FILE) {
            self.table = TABLES.len();
            return pictures::parse(&values).map(Entry::File);
        }
        self.row(values).map(Entry::Row)
    }

    fn row(&mut self, mut values: Vec<Json>) -> Option<Row> {
        let name = values.first()?.as_str()?;
        let at = self.table + TABLES[self.table..].iter().position(|t| t.name == name)?;
        self.table = at;
        let table = TABLES[at];
        if values.len() != table.columns.len() + 1 {
            return None;
        }
        let typed = values.drain(1..).zip(table.columns).map(|(value, (_, kind))| match (kind, value) {
            (Kind::Int, Json::Null) => Some(Value::Int(None)),
            (Kind::Text, Json::Null) => Some(Value::Text(None)),
            (Kind::Int, Json::Number(number)) => Some(Value::Int(Some(number.as_i64()?))),
            (Kind::Text, Json::String(text)) => Some(Value::Text(Some(text))),
            _ => None,
        });
        Some((table, typed.collect::<Option<Vec<_>>>()?))
    }

    fn end(&mut self, line: &[u8]) -> Result<(), BackupError> {
        let trailer = Trailer::deserialize(Objects(&mut serde_json::Deserializer::from_slice(line)));
        let trailer = trailer.map_err(|_| self.damaged())?;
        let whole = BackupError::Damaged { path: self.path.clone(), line: None };
        if trailer.sha256 != hex::encode(self.hash.clone().finalize()) || trailer.rows != self.counts {
            return Err(whole);
        }
        match self.next_line(MAX_HEADER) {
            Ok(None) => Ok(()),
            Ok(Some(_)) | Err(BackupError::CutOff { .. }) => Err(self.damaged()),
            Err(other) => Err(other),
        }
    }
}

/// The first line, before it is known whether the file is complete.
pub(super) struct Opened {
    header: Option<Header>,
    step: i64,
}

/// What a first reading found.
pub(super) struct Proved {
    /// When it was made.
    pub(super) made: String,
    /// Rows in it.
    pub(super) rows: u64,
    /// Files of pictures in it.
    pub(super) files: u64,
    /// The largest identifier in it.
    pub(super) last_id: i64,
}

/// Reads the file to its end without writing anything: whether it is complete, and has this schema.
pub(super) fn prove(path: &Path) -> Result<Proved, BackupError> {
    let (mut reader, opened) = Reader::open(path)?;
    let (mut rows, mut files, mut last_id) = (0, 0, 0);
    // A file with another schema step may have rows that this program does not know, which is no
    // damage.
    let read = loop {
        match reader.next_entry() {
            Ok(Some(Entry::File(_))) => files += 1,
            Ok(Some(Entry::Row((table, values)))) => {
                rows += 1;
                if let ("id", Some(Value::Int(Some(id)))) = (table.columns[0].0, values.first()) {
                    last_id = last_id.max(*id);
                }
            }
            Ok(None) => break Ok(()),
            Err(error) => break Err(error),
        }
    };
    let ours = schema_step();
    let path = || path.to_owned();
    match read {
        Err(BackupError::Damaged { .. }) | Ok(()) if opened.step > ours => {
            return Err(BackupError::Newer { path: path(), version: VERSION, step: opened.step });
        }
        Err(BackupError::Damaged { .. }) | Ok(()) if (1..ours).contains(&opened.step) => {
            return Err(BackupError::Older { path: path(), step: opened.step, ours });
        }
        other => other?,
    }
    let Some(header) =
        opened.header.filter(|h| (1..=VERSION).contains(&h.version) && h.tables == table_headers())
    else {
        return Err(BackupError::Damaged { path: path(), line: Some(1) });
    };
    Ok(Proved { made: header.made, rows, files, last_id })
}
