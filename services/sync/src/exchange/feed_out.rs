//! Listings out.
//!
//! The file is written, synced and renamed, and only then recorded as told: a crash in between
//! leaves a whole file and a next run that writes the same once more, never a change that nobody
//! was told of.

use super::FEED_CONNECTION;
use super::record::{line, record, record_told};
use super::sheet::{self, Form, Line, Sheet, Written, state_of};
use crate::config::{GivenError, GivenLayout};
use crate::pictures::{Copying, MissingPicture};
use crate::watch::Watch;
use domain::day::Moment;
use domain::ids::{ConnectionId, RunId};
use domain::money::Currency;
use domain::stock::{Availability, ListingState};
use feeds::{CsvOutError, Feed, Format, Layout, ListingCsv, PublishError, content_hash, publish, write_csvw};
use ledger::online::{Delivered, ListingPage, ListingRow, RunKind};
use ledger::{CommandError, Ledger, Rejection, Shop, StorageError};
use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// Pages of listings that may wait before each half.
const WAITING: usize = 2;
/// How many of the latest runs `--again` looks among: years of them.
const RUNS_LOOKED_AT: usize = 10_000;

/// Which listings go out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// All that is on offer or was.
    All,
    /// What changed since it was last told.
    Changes,
    /// Those of an earlier run, as they are now.
    Again(RunId),
}

/// How a feed is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutFormat {
    /// CSV with its CSVW description.
    Csv,
    /// JSON-LD.
    Json,
}

/// Where a feed goes.
pub enum Destination {
    /// Into a folder, which is made; the pictures beside it.
    Folder(PathBuf),
    /// To one that reads along: the listings alone.
    Stream(Box<dyn Write + Send>),
}

/// A feed to write.
pub struct FeedOutRun<'a> {
    /// Which listings.
    pub what: What,
    /// How.
    pub format: OutFormat,
    /// By which columns; our own if none.
    pub layout: Option<&'a GivenLayout>,
    /// Where to.
    pub to: Destination,
    /// Told how far it has come.
    pub watch: Arc<Watch>,
}

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeedOutReport {
    /// The run, by which it can be written again; none if there was nothing to write.
    pub run: Option<RunId>,
    /// The file; none for a stream, or if there was nothing to write.
    pub file: Option<PathBuf>,
    /// How many listings it has.
    pub listings: u64,
    /// How many of these are ended by it.
    pub ended: u64,
    /// How many pictures are missing beside it.
    pub pictures_missing: u64,
    /// The first of these.
    pub missing: Vec<MissingPicture>,
}

/// Why a feed was not written, or not recorded.
#[derive(Debug, thiserror::Error)]
pub enum FeedOutError {
    /// The layout cannot be used.
    #[error(transparent)]
    Given(#[from] GivenError),
    /// The layout cannot write listings.
    #[error(transparent)]
    Layout(CsvOutError),
    /// A layout for JSON-LD.
    #[error("a layout names columns, which JSON-LD does not have; leave out --layout, or write --format csv")]
    LayoutForJson,
    /// The folder cannot be made.
    #[error("{path} cannot be made: {source}; may this user write there?", path = path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// The file cannot be published.
    #[error(transparent)]
    Publish(#[from] PublishError),
    /// The stream cannot be written.
    #[error("the listings cannot be written: {0}")]
    Stream(#[source] io::Error),
    /// The writing half broke down.
    #[error("writing the listings broke down; nothing was recorded")]
    Writer(#[source] tokio::task::JoinError),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] CommandError),
}

/// Writes a feed and records what it told.
pub async fn feed_out(ledger: &Ledger, run: FeedOutRun<'_>) -> Result<FeedOutReport, FeedOutError> {
    let form = form(run.format, run.layout)?;
    let shop = ledger.refresh_shop().await?;
    let connection = ledger.connection(FEED_CONNECTION).await?;
    let what = found(ledger, connection, run.what).await?;
    let kind = if what == What::All { RunKind::All } else { RunKind::Changes };
    let mut reading = Outgoing {
        what,
        shop: Arc::clone(&shop),
        watch: run.watch,
        pages: pages(ledger.clone(), connection, what),
        over: false,
        silent: Vec::new(),
    };
    // The first lines are read before anything is made: no change, no file.
    let first = reading.next_lines().await?;
    if first.is_none() && what != What::All {
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
            // Tried before anything is made.
            ListingCsv::new(io::sink(), given.layout()).map_err(FeedOutError::Layout)?;
            Ok(Form::Csv(Box::new(given.layout().clone())))
        }
    }
}

/// A run of everything kept no list of its items: again means everything as it is now.
async fn found(ledger: &Ledger, connection: ConnectionId, what: What) -> Result<What, CommandError> {
    let What::Again(id) = what else { return Ok(what) };
    let runs = ledger.feed_runs(connection, RUNS_LOOKED_AT).await?;
    match runs.iter().find(|r| r.id == id) {
        None => Err(Rejection::NoSuch { what: "run".to_owned(), id: id.to_string() }.into()),
        Some(run) if run.kind == RunKind::All => Ok(What::All),
        Some(_) => Ok(what),
    }
}

type Page = Result<ListingPage, CommandError>;

/// Reads pages ahead, on a task of its own: while one is judged and written, the engine works on the
/// next. The last page is empty. Ends by itself when nobody takes them any more.
fn pages(ledger: Ledger, connection: ConnectionId, what: What) -> mpsc::Receiver<Page> {
    let (sender, receiver) = mpsc::channel(WAITING);
    tokio::spawn(async move {
        let mut after = None;
        loop {
            let page = match what {
                What::All => ledger.listings(connection, after).await,
                What::Changes => ledger.waiting_listings(connection, after).await,
                What::Again(run) => ledger.listings_of_run(connection, run, after).await,
            };
            after = page.as_ref().ok().and_then(ListingPage::last);
            if sender.send(page).await.is_err() || after.is_none() {
                return;
            }
        }
    });
    receiver
}

/// The reading half.
struct Outgoing {
    what: What,
    shop: Arc<Shop>,
    watch: Arc<Watch>,
    pages: mpsc::Receiver<Page>,
    over: bool,
    /// What needs no word: it is recorded, so that it does not wait any longer.
    silent: Vec<Delivered>,
}

impl Outgoing {
    /// The next lines that are to be written, or none.
    async fn next_lines(&mut self) -> Result<Option<Vec<Line>>, CommandError> {
        while !self.over {
            let broken = || StorageError::Impossible { what: "reading the listings broke down".to_owned() };
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

    /// Whether a row is to be written.
    fn judge(&mut self, row: ListingRow) -> Result<Option<Line>, CommandError> {
        let state = state_of(row.availability);
        let (item, revision) = (row.item, row.revision);
        let is_unheard = row.state != Some(ListingState::Listed) && row.availability != Availability::InStock;
        let is_repeated = matches!(self.what, What::Again(_)) && row.state.is_some();
        if is_unheard && !is_repeated {
            // Gone before anybody was told that it was there, or told to be gone already. Its next
            // change for the better, such as a piece put back, waits as a message of its own.
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

    /// Hands all lines to the writing half. If that half has ended, its own error is the one to tell.
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

/// The writing half.
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

/// What is in it, when it was begun, and the run's own identifier, which no other run has: so two that are written at
/// once never write one file.
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
