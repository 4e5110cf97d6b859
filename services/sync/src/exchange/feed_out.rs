//! Writes listings.
//!
//! The file is written, synced and renamed, and only then recorded as sent. After a crash in between there is a
//! whole file, and the next run writes the same once more; no change is lost.

use super::FEED_CONNECTION;
use super::record::{line, record, record_told};
use super::sheet::{self, Form, Line, Sheet, Written, state_of};
use crate::config::{GivenError, GivenLayout};
use crate::pictures::{Copying, MissingPicture};
use crate::watch::Watch;
use domain::day::Moment;
use domain::ids::{ConnectionId, ItemId, RunId};
use domain::money::Currency;
use domain::stock::{Availability, ListingState};
use feeds::{CsvOutError, Feed, Format, Layout, ListingCsv, PublishError, content_hash, publish, write_csvw};
use ledger::online::{Delivered, ListingPage, ListingRow, RunKind};
use ledger::rejection::Thing;
use ledger::{CommandError, Ledger, Rejection, Shop, StorageError};
use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// Pages of listings that may wait in front of each half.
const WAITING: usize = 2;
/// How many of the latest runs `--again` looks through: years of them.
const RUNS_LOOKED_AT: usize = 10_000;

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// Everything that is or was offered.
    All,
    /// Only what changed since it was last sent.
    Changes,
    /// The listings of an earlier run, as they are now.
    Again(RunId),
    /// These items, as they are now.
    Pieces(Arc<[ItemId]>),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutFormat {
    /// CSV with its CSVW description.
    Csv,
    Json,
}

pub enum Destination {
    /// Into a folder, created if missing, with the pictures beside the file.
    Folder(PathBuf),
    /// To a stream: listings only.
    Stream(Box<dyn Write + Send>),
}

pub struct FeedOutRun<'a> {
    pub what: What,
    pub format: OutFormat,
    /// With which columns; our own if none.
    pub layout: Option<&'a GivenLayout>,
    pub to: Destination,
    pub watch: Arc<Watch>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeedOutReport {
    /// Identifies the run, so that it can be written again; none if there was nothing to write.
    pub run: Option<RunId>,
    /// None for a stream, or if there was nothing to write.
    pub file: Option<PathBuf>,
    pub listings: u64,
    /// How many of the listings are ended.
    pub ended: u64,
    /// How many pictures are missing beside the file.
    pub pictures_missing: u64,
    /// The first of the missing pictures.
    pub missing: Vec<MissingPicture>,
}

/// Why a feed was not written or not recorded.
#[derive(Debug, thiserror::Error)]
pub enum FeedOutError {
    #[error(transparent)]
    Given(#[from] GivenError),
    #[error(transparent)]
    Layout(CsvOutError),
    #[error("a layout names columns, which JSON-LD does not have; leave out --layout, or write --format csv")]
    LayoutForJson,
    #[error("{path} cannot be made: {source}; may this user write there?", path = path.display())]
    Folder {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error(transparent)]
    Publish(#[from] PublishError),
    #[error("the listings cannot be written: {0}")]
    Stream(#[source] io::Error),
    #[error("writing the listings failed; nothing was recorded")]
    Writer(#[source] tokio::task::JoinError),
    #[error("{}", words::failure(.0))]
    Ledger(#[from] CommandError),
}

/// Writes a feed and records what it sent.
pub async fn feed_out(ledger: &Ledger, run: FeedOutRun<'_>) -> Result<FeedOutReport, FeedOutError> {
    let form = form(run.format, run.layout)?;
    let shop = ledger.refresh_shop().await?;
    let connection = ledger.connection(FEED_CONNECTION).await?;
    let what = found(ledger, connection, run.what).await?;
    let kind = if what == What::All { RunKind::All } else { RunKind::Changes };
    let mut reading = Outgoing {
        pages: pages(ledger.clone(), connection, what.clone()),
        what,
        shop: Arc::clone(&shop),
        watch: run.watch,
        over: false,
        silent: Vec::new(),
    };
    // The first lines are read before anything is created: without a change there is no file.
    let first = reading.next_lines().await?;
    if first.is_none() && reading.what != What::All {
        record_told(ledger, connection, reading.silent).await?;
        let (run, file, missing) = (None, None, Vec::new());
        return Ok(FeedOutReport { run, file, listings: 0, ended: 0, pictures_missing: 0, missing });
    }
    let (lines, receiver) = mpsc::channel(WAITING);
    let id = ledger.new_run().map_err(CommandError::from)?;
    let target = Target::new(ledger, run.to, form, (id, kind), &shop)?;
    let file = target.file.clone();
    let writer = tokio::task::spawn_blocking(move || target.write(receiver));
    reading.send(first, lines).await?;
    let (written, pictures) = ended(writer).await?;
    let (listings, ended) = (written.listings, written.ended);
    record_told(ledger, connection, reading.silent).await?;
    let name = file.as_deref().and_then(Path::file_name).map_or("-".into(), |n| n.to_string_lossy());
    let run = record(ledger, connection, (id, kind), &name, written).await?;
    let (pictures_missing, missing) = pictures.map_or((0, Vec::new()), |p| (p.missing, p.named));
    Ok(FeedOutReport { run, file, listings, ended, pictures_missing, missing })
}

type Writing = JoinHandle<Result<(Written, Option<Copying>), FeedOutError>>;

async fn ended(writer: Writing) -> Result<(Written, Option<Copying>), FeedOutError> {
    writer.await.map_err(FeedOutError::Writer)?
}

fn form(format: OutFormat, layout: Option<&GivenLayout>) -> Result<Form, FeedOutError> {
    match (format, layout) {
        (OutFormat::Json, Some(_)) => Err(FeedOutError::LayoutForJson),
        (OutFormat::Json, None) => Ok(Form::Json),
        (OutFormat::Csv, None) => Ok(Form::Csv(Box::new(Layout::built_in(Feed::Listings, Format::Csv)))),
        (OutFormat::Csv, Some(given)) => {
            given.refuse_other(Feed::Listings)?;
            // Tested before anything is created.
            ListingCsv::new(io::sink(), given.layout()).map_err(FeedOutError::Layout)?;
            Ok(Form::Csv(Box::new(given.layout().clone())))
        }
    }
}

/// A run of everything stored no list of its items, so writing it again means everything as it is now.
async fn found(ledger: &Ledger, connection: ConnectionId, what: What) -> Result<What, CommandError> {
    let What::Again(id) = what else { return Ok(what) };
    let runs = ledger.feed_runs(connection, RUNS_LOOKED_AT).await?;
    match runs.iter().find(|r| r.id == id) {
        None => Err(Rejection::no_such(Thing::Run, id).into()),
        Some(run) if run.kind == RunKind::All => Ok(What::All),
        Some(_) => Ok(what),
    }
}

type Page = Result<ListingPage, CommandError>;

/// Reads pages ahead on a task of its own: while one page is judged and written, the database prepares the
/// next. The last page is empty. It ends when nobody takes pages any more.
fn pages(ledger: Ledger, connection: ConnectionId, what: What) -> mpsc::Receiver<Page> {
    let (sender, receiver) = mpsc::channel(WAITING);
    tokio::spawn(async move {
        let mut after = None;
        loop {
            let page = match &what {
                What::All => ledger.listings(connection, after).await,
                What::Changes => ledger.waiting_listings(connection, after).await,
                What::Again(run) => ledger.listings_of_run(connection, *run, after).await,
                What::Pieces(items) => ledger.chosen_listings(connection, items, after).await,
            };
            after = page.as_ref().ok().and_then(ListingPage::last);
            if sender.send(page).await.is_err() || after.is_none() {
                return;
            }
        }
    });
    receiver
}

struct Outgoing {
    what: What,
    shop: Arc<Shop>,
    watch: Arc<Watch>,
    pages: mpsc::Receiver<Page>,
    over: bool,
    /// What needs no message: recorded anyway, so that it stops waiting.
    silent: Vec<Delivered>,
}

impl Outgoing {
    /// The next lines to write, if there are any.
    async fn next_lines(&mut self) -> Result<Option<Vec<Line>>, CommandError> {
        while !self.over {
            let broken = || StorageError::Impossible { what: "reading the listings failed".to_owned() };
            let page = self.pages.recv().await.ok_or_else(broken)??;
            self.over = page.last().is_none();
            let rows = page.rows()?;
            let mut lines = Vec::with_capacity(rows.len());
            for row in rows {
                lines.extend(self.judge(row)?);
            }
            self.watch.add(lines.len() as u64);
            if !lines.is_empty() {
                return Ok(Some(lines));
            }
        }
        Ok(None)
    }

    /// Whether a row must be written.
    fn judge(&mut self, row: ListingRow) -> Result<Option<Line>, CommandError> {
        let state = state_of(row.availability);
        let (item, revision) = (row.item, row.revision);
        let is_unheard = row.state != Some(ListingState::Listed) && row.availability != Availability::InStock;
        let is_repeated = matches!(self.what, What::Again(_)) && row.state.is_some();
        if is_unheard && !is_repeated {
            // It is gone, and nobody was told that it was there, or the end was sent already. Its next
            // change for the better, such as a return to stock, is a message of its own.
            self.silent.push(Delivered { item, revision, content: None });
            return Ok(None);
        }
        let mut line = line(row, self.shop.image_base.as_deref())?;
        if self.what == What::Changes {
            let hash = content_hash(&line.listing);
            if hash == line.before.hash && line.before.state == Some(state) {
                self.silent.push(Delivered { item, revision, content: Some((hash, state)) });
                return Ok(None);
            }
            line.hash = Some(hash);
        }
        Ok(Some(line))
    }

    /// Passes all lines to the writing half. If that half has ended, its error is the one to report.
    async fn send(&mut self, first: Option<Vec<Line>>, to: mpsc::Sender<Sheet>) -> Result<(), CommandError> {
        let mut next = first;
        while let Some(lines) = next {
            if to.send(Sheet::Lines(lines)).await.is_err() {
                return Ok(());
            }
            next = self.next_lines().await?;
        }
        let _ = to.send(Sheet::End).await;
        Ok(())
    }
}

struct Target {
    to: Destination,
    form: Form,
    keep_items: bool,
    file: Option<PathBuf>,
    pictures: Option<Copying>,
    currency: Currency,
}

impl Target {
    fn new(
        ledger: &Ledger,
        to: Destination,
        form: Form,
        run: (RunId, RunKind),
        shop: &Shop,
    ) -> Result<Self, FeedOutError> {
        let mut target = Self {
            to,
            form,
            keep_items: run.1 == RunKind::Changes,
            file: None,
            pictures: None,
            currency: shop.currency,
        };
        if let Destination::Folder(folder) = &target.to {
            fs::create_dir_all(folder)
                .map_err(|source| FeedOutError::Folder { path: folder.clone(), source })?;
            target.file = Some(folder.join(file_name(run, &target.form, ledger.now())));
            if shop.image_base.is_none() {
                target.pictures = Some(Copying::new(ledger.pictures_folder(), folder));
            }
        }
        Ok(target)
    }

    fn write(self, lines: mpsc::Receiver<Sheet>) -> Result<(Written, Option<Copying>), FeedOutError> {
        let Self { to, form, keep_items, file, mut pictures, currency } = self;
        match to {
            Destination::Folder(folder) => {
                let name = file.as_deref().and_then(Path::file_name).unwrap_or_default().to_string_lossy();
                if let Form::Csv(layout) = &form {
                    // First, so that whoever sees the feed finds its description.
                    let about = format!("{name}-metadata.json");
                    publish(&folder, &about, |out| write_csvw(out, &name, layout, currency))?;
                }
                let written = publish(&folder, &name, |out| {
                    sheet::write(out, &form, lines, pictures.as_mut(), keep_items)
                })?;
                Ok((written, pictures))
            }
            Destination::Stream(out) => {
                let written = sheet::write(BufWriter::new(out), &form, lines, None, keep_items);
                Ok((written.map_err(FeedOutError::Stream)?, None))
            }
        }
    }
}

/// What it contains, when it was begun, and the run's own id, so that two feeds written at the same time never
/// share a file.
fn file_name((run, kind): (RunId, RunKind), form: &Form, now: Moment) -> String {
    let what = match kind {
        RunKind::All => "listings",
        RunKind::Changes => "changes",
    };
    let ending = match form {
        Form::Csv(_) => "csv",
        Form::Json => "json",
    };
    let at: String = now.to_string().chars().filter(|c| *c != '-' && *c != ':').collect();
    format!("{what}-{at}-{run}.{ending}")
}
