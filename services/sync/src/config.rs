//! The files that a person hands in: a feed, and the layout that says how to read it.

use crate::spool::{MAX_SPOOL_BYTES, Spool, SpoolReader};
use crate::watch::{Watch, Watched};
use feeds::{Feed, Format, Layout, LayoutError};
use sha2::{Digest, Sha256};
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The longest layout in bytes: a real one has a few hundred, and a feed given in its place is
/// refused before it is read whole.
const MAX_LAYOUT_BYTES: u64 = 1 << 20;

/// Why a file that was named cannot be used at all.
#[derive(Debug, thiserror::Error)]
pub enum GivenError {
    /// It cannot be opened.
    #[error("{path} cannot be read: {source}; check the name and the rights", path = path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// A folder or a device stands there.
    #[error("{path} is not a file; name the file itself", path = path.display())]
    NotAFile {
        /// What was named.
        path: PathBuf,
    },
    /// What came by a stream cannot be kept for the while.
    #[error("{name} cannot be kept in the folder for temporary files: {source}; is there space?")]
    Spool {
        /// What it is called.
        name: String,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// More came by a stream than is kept.
    #[error("{name} has more than {limit} bytes; save it as a file and name that")]
    LongSpool {
        /// What it is called.
        name: String,
        /// The most that is kept.
        limit: u64,
    },
    /// A layout that is packed.
    #[error("{path} is {kind}; unpack it and name the text file", path = path.display())]
    Compressed {
        /// The file.
        path: PathBuf,
        /// What it is.
        kind: &'static str,
    },
    /// A layout that is too long to be one.
    #[error("{path} is too long for a layout; is it the feed itself?", path = path.display())]
    LongLayout {
        /// The file.
        path: PathBuf,
    },
    /// The layout is not TOML, or has a key that no layout has.
    #[error("{path}, line {line}: {why}", path = path.display())]
    LayoutLine {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: usize,
        /// What is wrong there, in one line.
        why: String,
        /// The same with the text around it.
        #[source]
        source: Box<LayoutError>,
    },
    /// The layout is broken.
    #[error("{path}: {source}", path = path.display())]
    Layout {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        #[source]
        source: LayoutError,
    },
    /// The layout is for something else.
    #[error("the layout is for {layout}, and this is about {wanted}; take the layout that is for {wanted}")]
    OtherFeed {
        /// What the layout is for.
        layout: Feed,
        /// What was asked for.
        wanted: Feed,
    },
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
    /// A file that stands where it was named.
    pub fn file(path: &Path) -> Result<Self, GivenError> {
        let beside = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Self::put(path, &name, Some(&beside))
    }

    /// A file that was put somewhere for the while: what it is called, and the folder that its
    /// refused rows are written to, if they are.
    pub fn put(path: &Path, name: &str, rejects: Option<&Path>) -> Result<Self, GivenError> {
        let found =
            fs::metadata(path).map_err(|source| GivenError::Open { path: path.to_owned(), source })?;
        if !found.is_file() {
            return Err(GivenError::NotAFile { path: path.to_owned() });
        }
        let place = Where::File(path.to_owned());
        Ok(Self { place, name: name.to_owned(), rejects: rejects.map(Path::to_owned) })
    }

    /// What comes by a stream, read to its end: at most [`MAX_SPOOL_BYTES`](crate::MAX_SPOOL_BYTES) of it, kept
    /// in a file that has no name and is gone when this is.
    pub fn stream(stream: impl Read, name: &str, rejects: Option<&Path>) -> Result<Self, GivenError> {
        let kept = Spool::keep(stream, MAX_SPOOL_BYTES)
            .map_err(|source| GivenError::Spool { name: name.to_owned(), source })?;
        let too_long = || GivenError::LongSpool { name: name.to_owned(), limit: MAX_SPOOL_BYTES };
        let place = Where::Spool(kept.ok_or_else(too_long)?);
        Ok(Self { place, name: name.to_owned(), rejects: rejects.map(Path::to_owned) })
    }

    /// What it is called.
    pub fn name(&self) -> &str {
        &self.name
    }

    pub(crate) fn rejects_folder(&self) -> Option<&Path> {
        self.rejects.as_deref()
    }

    /// Its name without the ending.
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

    /// The layout to read it by: the one given, or our own names in the format that the file's name
    /// tells. The rejects of a JSON document are JSON Lines, and the layout that read the document
    /// reads them too.
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
    /// Reads a layout's file.
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

    /// Reads a layout's text.
    pub fn parse(text: &str) -> Result<Self, LayoutError> {
        Ok(Self { layout: Layout::parse(text)?, hash: hex::encode(Sha256::digest(text)) })
    }

    /// What it is for.
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

/// TOML's own words show the text over several lines; a message has one.
fn broken(path: &Path, text: &str, source: LayoutError) -> GivenError {
    let path = path.to_owned();
    let LayoutError::Toml { source: toml } = &source else { return GivenError::Layout { path, source } };
    let before = toml.span().and_then(|span| text.get(..span.start)).unwrap_or_default();
    let line = before.matches('\n').count() + 1;
    let why = toml.message().replace('\n', " ");
    GivenError::LayoutLine { path, line, why, source: Box::new(source) }
}

/// By what a file is known again: its own hash, and the layout's if it was read by one.
pub(crate) fn intake_hash(file: &str, layout: Option<&GivenLayout>) -> String {
    match layout {
        None => file.to_owned(),
        Some(layout) => hex::encode(Sha256::digest(format!("{file} {}", layout.hash))),
    }
}
