//! Compares what an online shop says it lists with our stock.

use super::FEED_CONNECTION;
use super::record::{line, listing_of, record_told};
use super::rejects::{IntakeError, RefusedRow, Rejects};
use crate::config::{Given, GivenLayout};
use crate::pipe::{self, Piece};
use crate::watch::Watch;
use domain::codes::Code;
use domain::ids::{ConnectionId, ItemId};
use domain::stock::ListingState;
use feeds::compare::Difference;
use feeds::{Feed, ListedRow, Listing, Reading, content_hash, read_listings};
use ledger::online::Delivered;
use ledger::{CommandError, Ledger, Rejection};
use std::collections::{HashMap, HashSet};
use std::sync::Arc;

/// A file of listings to compare.
#[derive(Debug)]
pub struct CompareRun<'a> {
    pub given: &'a Given,
    /// How to read it; our own field names if none.
    pub layout: Option<&'a GivenLayout>,
    /// Treat items that are on both lists as listed.
    pub adopt: bool,
    pub watch: Arc<Watch>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CompareReport {
    /// How many listings the file has.
    pub listed: u64,
    pub differences: Vec<Difference>,
    /// Rows that cannot be read.
    pub rejected: u64,
    /// The first of these.
    pub refused: Vec<RefusedRow>,
    /// How many items now count as listed.
    pub adopted: u64,
}

/// Compares, and with `adopt` treats what is on both lists as listed.
pub async fn compare(ledger: &Ledger, run: &CompareRun<'_>) -> Result<CompareReport, IntakeError> {
    let mut rejects = Rejects::new(run.given, false)?;
    let mut theirs = read(ledger, run, &mut rejects).await?;
    let connection = ledger.connection(FEED_CONNECTION).await?;
    let mut ours = Ours::read(ledger, connection).await?;
    for row in &mut theirs {
        ours.find(ledger, connection, &mut row.sku).await?;
    }
    let offered: Vec<Code> = theirs.iter().filter(|r| r.is_offered()).map(|r| r.sku.clone()).collect();
    let mut report = CompareReport {
        listed: theirs.len() as u64,
        rejected: rejects.count,
        refused: std::mem::take(&mut rejects.told),
        ..CompareReport::default()
    };
    let Ours { listings, stands, .. } = ours;
    let hashes: Option<Vec<String>> = run.adopt.then(|| listings.iter().map(content_hash).collect());
    report.differences = feeds::compare::compare(listings, theirs);
    if let Some(hashes) = hashes {
        let told = adopted(&offered, &stands, &hashes, &report.differences);
        report.adopted = told.len() as u64;
        record_told(ledger, connection, told).await?;
    }
    Ok(report)
}

/// What a file lists, and how many of its rows cannot be read.
pub(crate) async fn read_listed(
    ledger: &Ledger,
    run: &CompareRun<'_>,
) -> Result<(Vec<ListedRow>, usize), IntakeError> {
    let mut rejects = Rejects::new(run.given, false)?;
    let theirs = read(ledger, run, &mut rejects).await?;
    Ok((theirs, usize::try_from(rejects.count).unwrap_or(usize::MAX)))
}

async fn read(
    ledger: &Ledger,
    run: &CompareRun<'_>,
    rejects: &mut Rejects,
) -> Result<Vec<ListedRow>, IntakeError> {
    let layout = run.given.layout(Feed::Listings, run.layout)?;
    let file_hash = run.given.hash()?;
    let file = run.given.open(&run.watch)?;
    let shop = ledger.refresh_shop().await?;
    let (mut pieces, reader) = pipe::start(move |out| {
        let reading =
            Reading { layout: &layout, currency: shop.currency, zone: &shop.zone, file_hash: &file_hash };
        let rows = read_listings(file, reading)?;
        let shape = rows.shape().clone();
        out.fill(&shape, rows);
        Ok(())
    });
    let mut theirs = Vec::new();
    while let Some(piece) = pieces.recv().await {
        let Piece::Records(records) = piece else { continue };
        for record in records {
            match record {
                Ok(parsed) => theirs.push(parsed.value),
                Err(reject) => rejects.push(&reject)?,
            }
        }
    }
    let read = reader.await.map_err(IntakeError::Reader)?;
    read.map_err(|source| IntakeError::File { name: run.given.name().to_owned(), source })?;
    Ok(theirs)
}

/// The state of an item on the connection.
#[derive(Clone, Copy)]
pub(crate) struct Stand {
    pub(crate) item: ItemId,
    pub(crate) revision: i64,
    pub(crate) state: Option<ListingState>,
    /// The revision that was last sent.
    pub(crate) told: i64,
    at: usize,
}

/// What is or was offered here, and what else the other side names.
pub(crate) struct Ours {
    pub(crate) listings: Vec<Listing>,
    pub(crate) stands: HashMap<String, Stand>,
    image_base: Option<String>,
}

impl Ours {
    pub(crate) async fn read(ledger: &Ledger, connection: ConnectionId) -> Result<Self, CommandError> {
        let image_base = ledger.shop().image_base.clone();
        let mut ours = Self { listings: Vec::new(), stands: HashMap::new(), image_base };
        let mut after = None;
        loop {
            let page = ledger.listings(connection, after).await?;
            if page.last().is_none() {
                return Ok(ours);
            }
            after = page.last();
            for row in page.rows()? {
                let line = line(row, ours.image_base.as_deref())?;
                ours.put(line.item, line.listing, line.before.state, line.before.revision);
            }
        }
    }

    fn put(&mut self, item: ItemId, listing: Listing, state: Option<ListingState>, told: i64) {
        let stand = Stand { item, revision: listing.revision, state, told, at: self.listings.len() };
        self.stands.insert(listing.sku.key(), stand);
        self.listings.push(listing);
    }

    /// Finds the item for their code, by any of its codes, and refers to it by its SKU.
    pub(crate) async fn find(
        &mut self,
        ledger: &Ledger,
        connection: ConnectionId,
        code: &mut Code,
    ) -> Result<(), CommandError> {
        if self.stands.contains_key(&code.key()) {
            return Ok(());
        }
        let item = match ledger.item(code).await {
            Ok(item) => item,
            Err(CommandError::Rejected(rejection))
                if matches!(*rejection, Rejection::UnknownCode { .. } | Rejection::WrongDigit { .. }) =>
            {
                return Ok(());
            }
            Err(failure) => return Err(failure),
        };
        let listing = listing_of(&item, self.image_base.as_deref())?;
        *code = listing.sku.clone();
        if !self.stands.contains_key(&code.key()) {
            let stood = ledger.listings_of(connection, &[item.id]).await?;
            let (state, told) = stood.first().map_or((None, 0), |(row, _)| (row.state, row.told_revision));
            self.put(item.id, listing, state, told);
        }
        Ok(())
    }
}

/// What now counts as listed: everything they offer that did not count as listed before. Where they differ, it
/// counts as sent with other contents, so that the next feed corrects it.
fn adopted(
    offered: &[Code],
    stands: &HashMap<String, Stand>,
    hashes: &[String],
    differences: &[Difference],
) -> Vec<Delivered> {
    let differing: HashSet<String> = differences.iter().map(|d| d.sku().key()).collect();
    let mut met = HashSet::new();
    let mut told = Vec::new();
    for key in offered.iter().map(Code::key) {
        let Some(stand) = stands.get(&key) else { continue };
        if stand.state == Some(ListingState::Listed) || !met.insert(key.clone()) {
            continue;
        }
        let differences = differing.contains(&key);
        // At revision 0, a message that waits for the item goes on waiting and corrects it.
        let revision = if differences && stand.state.is_none() { 0 } else { stand.revision };
        let hash = if differences { String::new() } else { hashes[stand.at].clone() };
        told.push(Delivered { item: stand.item, revision, content: Some((hash, ListingState::Listed)) });
    }
    told
}
