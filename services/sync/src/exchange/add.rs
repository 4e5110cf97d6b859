//! Adds styles and items.
//!
//! The same file again gets the first answer, unless it is to be taken in again. An interrupted run of items
//! goes on where it stopped; a run of styles starts over, which changes nothing.

use super::rejects::{IntakeError, RefusedRow, Rejects};
use crate::config::{Given, GivenLayout, intake_hash};
use crate::pipe::{self, Piece};
use crate::watch::Watch;
use feeds::{Feed, Parsed, Reading, Reject, read_items, read_styles};
use ledger::shelf::{
    AddItems, AddStyles, EndIntake, Intake, MAX_ITEMS_AT_ONCE, NewItem, NewStyle, Progress, RowOutcome, Tally,
};
use ledger::{CommandError, Ledger, Pace, Rejection};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

#[derive(Debug)]
pub struct AddRun<'a> {
    pub given: &'a Given,
    /// How to read it; our own field names if none.
    pub layout: Option<&'a GivenLayout>,
    /// Take it in again even if it was taken in before.
    pub again: bool,
    pub who: &'a str,
    pub watch: Arc<Watch>,
}

/// What became of a file of styles or items.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AddReport {
    pub added: i64,
    /// Items or styles that existed and were changed.
    pub updated: i64,
    /// Items or styles that existed and needed no change.
    pub unchanged: i64,
    pub rejected: u64,
    /// The first of the rejected rows.
    pub refused: Vec<RefusedRow>,
    pub rejects_file: Option<PathBuf>,
    /// Whether the file was taken in before, and this is the first answer.
    #[serde(skip)]
    pub replayed: bool,
    /// How many rows an interrupted run had done before.
    #[serde(skip)]
    pub resumed_after: i64,
}

impl fmt::Display for AddReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { added, updated, unchanged, rejected, .. } = self;
        write!(f, "{added} added, {updated} updated, {unchanged} unchanged, {rejected} refused")
    }
}

/// A kind of row that can be added.
trait Row: Sized + Send + 'static {
    const FEED: Feed;
    /// Whether an interrupted run goes on where it stopped.
    const RESUMES: bool;

    fn read(source: Source, out: pipe::Filling<Self>) -> Result<(), feeds::FeedError>;
    async fn execute(
        ledger: &Ledger,
        rows: Vec<Self>,
        who: &str,
        progress: Progress,
    ) -> Result<Vec<RowOutcome>, CommandError>;
}

/// An opened file and all that reading it needs.
struct Source {
    file: crate::watch::Watched<crate::config::Source>,
    layout: feeds::Layout,
    shop: Arc<ledger::Shop>,
    hash: String,
}

pub async fn add_styles(ledger: &Ledger, run: &AddRun<'_>) -> Result<AddReport, IntakeError> {
    add::<NewStyle>(ledger, run).await
}

/// Adds a file of items.
pub async fn add_items(ledger: &Ledger, run: &AddRun<'_>) -> Result<AddReport, IntakeError> {
    add::<NewItem>(ledger, run).await
}

async fn add<T: Row>(ledger: &Ledger, run: &AddRun<'_>) -> Result<AddReport, IntakeError> {
    let layout = run.given.layout(T::FEED, run.layout)?;
    let file_hash = run.given.hash()?;
    let hash = intake_hash(&file_hash, run.layout);
    let known = ledger.intake(&hash, T::FEED.code()).await?.filter(|_| !run.again);
    if let Some(answer) = known.as_ref().and_then(|k| k.answer.as_ref()) {
        let first: AddReport = serde_json::from_str(answer).map_err(IntakeError::Kept)?;
        return Ok(AddReport { replayed: true, ..first });
    }
    let rejects = Rejects::new(run.given, true)?;
    let source = Source {
        file: run.given.open(&run.watch)?,
        layout,
        shop: ledger.refresh_shop().await?,
        hash: file_hash,
    };
    let progress = Progress {
        hash,
        feed: T::FEED.code().to_owned(),
        file_name: run.given.name().to_owned(),
        rows_done: 0,
        again: run.again,
    };
    let mut adding = Adding::<T> {
        ledger,
        who: run.who,
        pace: ledger.pace().await?,
        progress,
        before: known.filter(|_| T::RESUMES).map(Before::from).unwrap_or_default(),
        rejects,
        tally: Tally::default(),
        rows: Vec::new(),
        places: Vec::new(),
    };
    match adding.take(source, run.given.name()).await {
        Ok(()) => adding.end().await,
        Err(error) => Err(error.after(adding.so_far())),
    }
}

/// What an interrupted run had done.
#[derive(Default)]
struct Before {
    rows: i64,
    tally: Tally,
    refused: std::collections::HashMap<i64, Rejection>,
}

impl From<Intake> for Before {
    fn from(known: Intake) -> Self {
        Self { rows: known.rows_done, tally: known.tally, refused: known.refused.into_iter().collect() }
    }
}

struct Adding<'a, T: Row> {
    ledger: &'a Ledger,
    who: &'a str,
    pace: Pace,
    progress: Progress,
    before: Before,
    rejects: Rejects,
    tally: Tally,
    rows: Vec<T>,
    places: Vec<Parsed<()>>,
}

impl<T: Row> Adding<'_, T> {
    /// What this run did before it stopped; none if nothing.
    fn so_far(&self) -> Option<String> {
        let Tally { added, updated, unchanged } = self.tally;
        let is_some = added + updated + unchanged > 0;
        is_some.then(|| format!("{added} were added, {updated} updated and {unchanged} left as they were"))
    }

    async fn take(&mut self, source: Source, name: &str) -> Result<(), IntakeError> {
        let (mut pieces, reader) = pipe::start(move |out| T::read(source, out));
        let mut row = 0;
        while let Some(piece) = pieces.recv().await {
            let records = match piece {
                Piece::Shape(shape) => {
                    self.rejects.shape(shape);
                    continue;
                }
                Piece::Records(records) => records,
            };
            for record in records {
                match record {
                    Err(reject) => self.rejects.push(&reject)?,
                    Ok(parsed) => {
                        self.one(row, parsed).await?;
                        row += 1;
                    }
                }
            }
        }
        let read = reader.await.map_err(IntakeError::Reader)?;
        read.map_err(|source| IntakeError::File { name: name.to_owned(), source })?;
        self.flush().await
    }

    /// A valid row: already done, or for the next transaction.
    async fn one(&mut self, row: i64, parsed: Parsed<T>) -> Result<(), IntakeError> {
        let Parsed { value, line, rows } = parsed;
        let place = Parsed { value: (), line, rows };
        if row < self.before.rows {
            self.progress.rows_done = row + 1;
            return match self.before.refused.remove(&row) {
                Some(rejection) => self.rejects.push(&Reject::refused(place, words::rejection(&rejection))),
                None => Ok(()),
            };
        }
        self.rows.push(value);
        self.places.push(place);
        if self.rows.len() >= self.pace.rows().min(MAX_ITEMS_AT_ONCE) {
            self.flush().await?;
        }
        Ok(())
    }

    async fn flush(&mut self) -> Result<(), IntakeError> {
        if self.rows.is_empty() {
            return Ok(());
        }
        let rows = std::mem::take(&mut self.rows);
        self.progress.rows_done += i64::try_from(rows.len()).unwrap_or(i64::MAX);
        let began = Instant::now();
        let outcomes = T::execute(self.ledger, rows, self.who, self.progress.clone()).await?;
        for (place, outcome) in std::mem::take(&mut self.places).into_iter().zip(outcomes) {
            match outcome {
                RowOutcome::Added(_) | RowOutcome::AddedStyle { .. } => self.tally.added += 1,
                RowOutcome::Updated { .. } => self.tally.updated += 1,
                RowOutcome::Unchanged { .. } => self.tally.unchanged += 1,
                RowOutcome::Refused(rejection) => {
                    self.rejects.push(&Reject::refused(place, words::rejection(&rejection)))?;
                }
            }
        }
        self.pace.took(self.ledger, began.elapsed()).await?;
        Ok(())
    }

    /// Names the rejects file and then stores the answer. A crash between the two takes the file in once more,
    /// which only writes the rejects again.
    async fn end(mut self) -> Result<AddReport, IntakeError> {
        let rejects_file = self.rejects.finish()?;
        let before = self.before.tally;
        let report = AddReport {
            added: before.added + self.tally.added,
            updated: before.updated + self.tally.updated,
            unchanged: before.unchanged + self.tally.unchanged,
            rejected: self.rejects.count,
            refused: std::mem::take(&mut self.rejects.told),
            rejects_file,
            replayed: false,
            resumed_after: self.before.rows,
        };
        let answer = serde_json::to_string(&report).map_err(IntakeError::Kept)?;
        let end = EndIntake { progress: self.progress.clone(), answer };
        self.ledger.execute(None, &end).await?;
        Ok(report)
    }
}

fn reading<'a>(layout: &'a feeds::Layout, shop: &'a ledger::Shop, hash: &'a str) -> Reading<'a> {
    Reading { layout, currency: shop.currency, zone: &shop.zone, file_hash: hash }
}

impl Row for NewStyle {
    const FEED: Feed = Feed::Styles;
    /// A style is identified by its name, so adding it again does not add another.
    const RESUMES: bool = false;

    fn read(source: Source, out: pipe::Filling<Self>) -> Result<(), feeds::FeedError> {
        let Source { file, layout, shop, hash } = source;
        let records = read_styles(file, reading(&layout, &shop, &hash))?;
        let shape = records.shape().clone();
        out.fill(&shape, records);
        Ok(())
    }

    async fn execute(
        ledger: &Ledger,
        styles: Vec<NewStyle>,
        who: &str,
        _: Progress,
    ) -> Result<Vec<RowOutcome>, CommandError> {
        Ok(ledger.execute(None, &AddStyles { styles, who: who.to_owned() }).await?.answer)
    }
}

impl Row for NewItem {
    const FEED: Feed = Feed::Items;
    /// A piece without a code of its own would be added twice.
    const RESUMES: bool = true;

    fn read(source: Source, out: pipe::Filling<Self>) -> Result<(), feeds::FeedError> {
        let Source { file, layout, shop, hash } = source;
        let records = read_items(file, reading(&layout, &shop, &hash))?;
        let shape = records.shape().clone();
        out.fill(&shape, records);
        Ok(())
    }

    async fn execute(
        ledger: &Ledger,
        items: Vec<NewItem>,
        who: &str,
        progress: Progress,
    ) -> Result<Vec<RowOutcome>, CommandError> {
        let command = AddItems { items, who: who.to_owned(), progress: Some(progress) };
        Ok(ledger.execute(None, &command).await?.answer)
    }
}
