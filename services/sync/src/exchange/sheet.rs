//! Writes one feed and remembers what each row sent.

use crate::pictures::Copying;
use domain::ids::ItemId;
use domain::stock::{Availability, ListingState};
use feeds::{CsvOutError, JsonLdDocument, Layout, Listing, ListingCsv, content_hash};
use ledger::online::Delivered;
use sha2::{Digest, Sha256};
use std::io::{self, Write};
use tokio::sync::mpsc;

/// A listing to write, and its state on the connection before.
pub(crate) struct Line {
    pub(crate) item: ItemId,
    pub(crate) listing: Listing,
    /// Names of its pictures in the shop's own folder.
    pub(crate) images: Vec<String>,
    /// The listing's hash, if it was needed before.
    pub(crate) hash: Option<String>,
    pub(crate) before: Before,
}

pub(crate) struct Before {
    pub(crate) state: Option<ListingState>,
    pub(crate) hash: String,
    pub(crate) revision: i64,
}

/// A listing's state once it is sent.
pub(crate) fn state_of(availability: Availability) -> ListingState {
    match availability {
        Availability::InStock | Availability::Reserved => ListingState::Listed,
        Availability::SoldOut | Availability::Discontinued => ListingState::Ended,
    }
}

/// What the reading half passes to the writing half.
pub(crate) enum Sheet {
    Lines(Vec<Line>),
    /// The end. Without it the reading half has failed, and no incomplete feed is published.
    End,
}

pub(crate) struct Written {
    /// What the connection has now received, as far as the ledger does not know it.
    pub(crate) told: Vec<Delivered>,
    /// The items that were written, if wanted.
    pub(crate) items: Vec<ItemId>,
    pub(crate) listings: u64,
    pub(crate) ended: u64,
    pub(crate) file_hash: String,
}

pub(crate) enum Form {
    /// With our own columns or a layout's.
    Csv(Box<Layout>),
    Json,
}

enum Writer<W: Write> {
    Csv(Box<ListingCsv<W>>),
    Json(JsonLdDocument<W>),
}

impl<W: Write> Writer<W> {
    fn new(out: W, form: &Form) -> io::Result<Self> {
        match form {
            Form::Csv(layout) => Ok(Self::Csv(Box::new(ListingCsv::new(out, layout).map_err(as_io)?))),
            Form::Json => Ok(Self::Json(JsonLdDocument::new(out)?)),
        }
    }

    fn write(&mut self, listing: &Listing) -> io::Result<()> {
        match self {
            Self::Csv(csv) => csv.write(listing).map_err(as_io),
            Self::Json(json) => json.write(listing),
        }
    }

    fn finish(self) -> io::Result<W> {
        match self {
            Self::Csv(csv) => csv.finish().map(|(out, _)| out).map_err(as_io),
            Self::Json(json) => json.finish().map(|(out, _)| out),
        }
    }
}

fn as_io(error: CsvOutError) -> io::Error {
    match error {
        CsvOutError::Write { source } => source,
        other => io::Error::other(other),
    }
}

/// Writes everything that comes, on a thread of its own.
pub(crate) fn write(
    out: impl Write,
    form: &Form,
    mut lines: mpsc::Receiver<Sheet>,
    mut pictures: Option<&mut Copying>,
    keep_items: bool,
) -> io::Result<Written> {
    let mut writer = Writer::new(Hashed { out, hasher: Sha256::new() }, form)?;
    let (mut told, mut items) = (Vec::new(), Vec::new());
    let (mut listings, mut ended) = (0, 0);
    loop {
        match lines.blocking_recv() {
            None => return Err(io::Error::other("the listings could not be read to their end")),
            Some(Sheet::End) => break,
            Some(Sheet::Lines(lines)) => {
                for line in lines {
                    writer.write(&line.listing)?;
                    if let Some(pictures) = pictures.as_deref_mut() {
                        pictures.copy(line.listing.sku.as_str(), &line.images);
                    }
                    listings += 1;
                    ended += u64::from(state_of(line.listing.availability) == ListingState::Ended);
                    if keep_items {
                        items.push(line.item);
                    }
                    told.extend(news(line));
                }
            }
        }
    }
    let Hashed { mut out, hasher } = writer.finish()?;
    out.flush()?;
    Ok(Written { told, items, listings, ended, file_hash: hex::encode(hasher.finalize()) })
}

/// What the ledger does not know yet of what was sent.
fn news(line: Line) -> Option<Delivered> {
    let Line { item, listing, hash, before, .. } = line;
    let state = state_of(listing.availability);
    let hash = hash.unwrap_or_else(|| content_hash(&listing));
    let is_known = before.state == Some(state) && before.revision == listing.revision && before.hash == hash;
    (!is_known).then_some(Delivered { item, revision: listing.revision, content: Some((hash, state)) })
}

/// A writer that computes the SHA-256 of what passes through.
struct Hashed<W> {
    out: W,
    hasher: Sha256,
}

impl<W: Write> Write for Hashed<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.out.write(bytes)?;
        self.hasher.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}
