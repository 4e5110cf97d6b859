//! Files that somebody hands in: a feed, and the layout that says how to read it.

use crate::spool::{MAX_SPOOL_BYTES, Spool, SpoolReader};
use crate::watch::{Watch, Watched};
use feeds::{Feed, Format, Layout, LayoutError};
use sha2::{Digest, Sha256};
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The longest layout, in bytes. Real ones have a few hundred; if somebody gives a feed by mistake, it is
/// refused before all of it is read.
const MAX_LAYOUT_BYTES: u64 = 1 << 20;

/// Why a given file cannot be used at all.
#[derive(Debug, thiserror::Error)]
pub enum GivenError {
    #[error("{path} cannot be read: {source}; check the name and the permissions", path = path.display())]
    Open {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    /// It is a folder or a device.
    #[error("{path} is not a file; name the file itself", path = path.display())]
    NotAFile { path: PathBuf },
    /// A stream cannot be stored in a temporary file.
    #[error("{name} cannot be saved in the folder for temporary files: {source}; is the disk full?")]
    Spool {
        name: String,
        #[source]
        source: io::Error,
    },
    /// A stream is longer than what is stored.
    #[error("{name} has more than {limit} bytes; save it as a file and name that")]
    LongSpool { name: String, limit: u64 },
    /// The layout is a compressed file.
    #[error("{path} is {kind}; unpack it and name the text file", path = path.display())]
    Compressed { path: PathBuf, kind: &'static str },
    /// The file is too long to be a layout.
    #[error("{path} is too long for a layout; is it the feed itself?", path = path.display())]
    LongLayout { path: PathBuf },
    /// The layout is not TOML, or has an unknown key.
    #[error("{path}, line {line}: {why}", path = path.display())]
    LayoutLine {
        path: PathBuf,
        /// The line, from 1.
        line: usize,
        /// What is wrong, on one line.
        why: String,
        /// The original error, which quotes the text.
        #[source]
        source: Box<LayoutError>,
    },
    #[error("{path}: {source}", path = path.display())]
    Layout {
        path: PathBuf,
        #[source]
        source: LayoutError,
    },
    /// The layout is for another feed.
    #[error("the layout is for {layout}, and this is about {wanted}; take the layout that is for {wanted}")]
    OtherFeed { layout: Feed, wanted: Feed },
}

/// Where the bytes are.
#[derive(Clone, Debug)]
enum Where {
    File(PathBuf),
    Spool(Spool),
}

/// Reads the bytes, wherever they are.
pub(crate) enum Source {
    File(File),
    Spool(SpoolReader),
}

impl Read for Source {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => file.read(buffer),
            Self::Spool(spool) => spool.read(buffer),
        }
    }
}

impl Seek for Source {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        match self {
            Self::File(file) => file.seek(to),
            Self::Spool(spool) => spool.seek(to),
        }
    }
}

/// A file to be taken in.
#[derive(Clone, Debug)]
pub struct Given {
    place: Where,
    name: String,
    rejects: Option<PathBuf>,
}

impl Given {
    /// A file at the path that was given.
    pub fn file(path: &Path) -> Result<Self, GivenError> {
        let beside = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Self::put(path, &name, Some(&beside))
    }

    /// A file that was stored temporarily: the name it came with, and the folder for its rejected rows, if they
    /// are written.
    pub fn put(path: &Path, name: &str, rejects: Option<&Path>) -> Result<Self, GivenError> {
        let found =
            fs::metadata(path).map_err(|source| GivenError::Open { path: path.to_owned(), source })?;
        if !found.is_file() {
            return Err(GivenError::NotAFile { path: path.to_owned() });
        }
        let place = Where::File(path.to_owned());
        Ok(Self { place, name: name.to_owned(), rejects: rejects.map(Path::to_owned) })
    }

    /// Reads a stream to its end, at most [`MAX_SPOOL_BYTES`](crate::MAX_SPOOL_BYTES), into a file that has no
    /// name and disappears when this is dropped.
    pub fn stream(stream: impl Read, name: &str, rejects: Option<&Path>) -> Result<Self, GivenError> {
        let kept = Spool::keep(stream, MAX_SPOOL_BYTES)
            .map_err(|source| GivenError::Spool { name: name.to_owned(), source })?;
        let too_long = || GivenError::LongSpool { name: name.to_owned(), limit: MAX_SPOOL_BYTES };
        let place = Where::Spool(kept.ok_or_else(too_long)?);
        Ok(Self { place, name: name.to_owned(), rejects: rejects.map(Path::to_owned) })
    }

    pub fn name(&self) -> &str {
        &self.name
    }

    pub(crate) fn rejects_folder(&self) -> Option<&Path> {
        self.rejects.as_deref()
    }

    pub(crate) fn stem(&self) -> &str {
        match self.name.rsplit_once('.') {
            Some((stem, _)) if !stem.is_empty() => stem,
            _ => &self.name,
        }
    }

    pub(crate) fn open(&self, watch: &Arc<Watch>) -> Result<Watched<Source>, GivenError> {
        let (source, length) = self.source()?;
        watch.expect(length);
        Ok(Watched::new(source, Arc::clone(watch)))
    }

    fn source(&self) -> Result<(Source, u64), GivenError> {
        match &self.place {
            Where::Spool(spool) => Ok((Source::Spool(spool.read()), spool.length)),
            Where::File(path) => {
                let failed = |source| GivenError::Open { path: path.clone(), source };
                let file = File::open(path).map_err(failed)?;
                let length = file.metadata().map_err(failed)?.len();
                Ok((Source::File(file), length))
            }
        }
    }

    pub(crate) fn hash(&self) -> Result<String, GivenError> {
        let (source, _) = self.source()?;
        let path = match &self.place {
            Where::File(path) => path.clone(),
            Where::Spool(_) => PathBuf::from(&self.name),
        };
        feeds::hash::file_hash(source).map_err(|source| GivenError::Open { path, source })
    }

    /// The layout that was given, or our own field names in the format that the file's name implies. The
    /// rejects of a JSON document are JSON Lines, and the layout of the document reads them too.
    pub(crate) fn layout(&self, feed: Feed, given: Option<&GivenLayout>) -> Result<Layout, GivenError> {
        let by_name = Format::of_name(&self.name);
        let Some(given) = given else { return Ok(Layout::built_in(feed, by_name)) };
        given.refuse_other(feed)?;
        let layout = given.layout.clone();
        if layout.format() == Format::Json && by_name == Format::JsonLines {
            return Ok(layout.with_format(Format::JsonLines));
        }
        Ok(layout)
    }
}

/// A layout as it was given.
#[derive(Clone, Debug)]
pub struct GivenLayout {
    layout: Layout,
    hash: String,
}

impl GivenLayout {
    pub fn read(path: &Path) -> Result<Self, GivenError> {
        let failed = |source| GivenError::Open { path: path.to_owned(), source };
        let mut bytes = Vec::new();
        let file = File::open(path).map_err(failed)?;
        file.take(MAX_LAYOUT_BYTES + 1).read_to_end(&mut bytes).map_err(failed)?;
        if bytes.len() as u64 > MAX_LAYOUT_BYTES {
            return Err(GivenError::LongLayout { path: path.to_owned() });
        }
        if let Some(kind) = feeds::compressed(&bytes) {
            return Err(GivenError::Compressed { path: path.to_owned(), kind });
        }
        let text = String::from_utf8(bytes)
            .map_err(|e| failed(io::Error::new(io::ErrorKind::InvalidData, e.utf8_error())))?;
        Self::parse(&text).map_err(|source| broken(path, &text, source))
    }

    pub fn parse(text: &str) -> Result<Self, LayoutError> {
        Ok(Self { layout: Layout::parse(text)?, hash: hex::encode(Sha256::digest(text)) })
    }

    pub fn feed(&self) -> Feed {
        self.layout.feed()
    }

    pub(crate) fn layout(&self) -> &Layout {
        &self.layout
    }

    pub(crate) fn refuse_other(&self, wanted: Feed) -> Result<(), GivenError> {
        if self.feed() == wanted {
            Ok(())
        } else {
            Err(GivenError::OtherFeed { layout: self.feed(), wanted })
        }
    }
}

/// TOML's own error message quotes several lines; ours has one.
fn broken(path: &Path, text: &str, source: LayoutError) -> GivenError {
    let path = path.to_owned();
    let LayoutError::Toml { source: toml } = &source else { return GivenError::Layout { path, source } };
    let before = toml.span().and_then(|span| text.get(..span.start)).unwrap_or_default();
    let line = before.matches('\n').count() + 1;
    let why = toml.message().replace('\n', " ");
    GivenError::LayoutLine { path, line, why, source: Box::new(source) }
}

/// Identifies a file: by its own hash, and the layout's if there is one.
pub(crate) fn intake_hash(file: &str, layout: Option<&GivenLayout>) -> String {
    match layout {
        None => file.to_owned(),
        Some(layout) => hex::encode(Sha256::digest(format!("{file} {}", layout.hash))),
    }
}
