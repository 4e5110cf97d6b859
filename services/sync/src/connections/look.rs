//! Checks whether a listing exists already, before it is created again.

use super::cycle::ConnectionContext;
use super::orders::{PageError, fetch};
use super::place::Position;
use super::reconcile;
use super::theirs::Theirs;
use domain::codes::Code;
use domain::day::Moment;
use domain::delivery::{Reply, says_gone};
use feeds::connection::{Address, Place, Pull};
use feeds::{FeedError, ListedRow, PageReading, Parsed, Reject, listings_of_page};
use ledger::online::PullState;
use std::collections::HashMap;
use std::time::{Duration, Instant};

const WHAT: &str = "list of listings";
/// How long a reading of their list is used for items that were never sent: nearly everything that is created
/// there in the meantime is our own doing.
const LOOKED_AT_FOR: Duration = Duration::from_mins(5);

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Looked {
    /// It exists, with the shop's own id if the list has one.
    There(Option<String>),
    NotThere,
    /// There was no need to look.
    NotAsked,
    /// None of their lists can tell.
    CannotTell,
    /// Their list could not be read now.
    Failed {
        reply: Reply,
        words: String,
    },
}

/// Their list, as it was read once.
#[derive(Debug)]
pub(super) struct Seen {
    began: Instant,
    /// The same moment by the ledger's clock.
    at: Moment,
    /// By the key of the SKU; the value is the shop's own id, if it has one.
    there: HashMap<String, Option<String>>,
}

impl Seen {
    /// By both clocks, because either may have stood still.
    fn is_young(&self, now: Moment) -> bool {
        let passed = now.millis() - self.at.millis();
        self.began.elapsed() < LOOKED_AT_FOR
            && u64::try_from(passed).is_ok_and(|ms| Duration::from_millis(ms) < LOOKED_AT_FOR)
    }
}

/// Looks for an item. If an earlier try may have created it, the list must have been read since; otherwise a
/// reading from a while ago is good enough.
pub(super) async fn look(hand: &ConnectionContext<'_>, sku: &Code, since: Option<Instant>) -> Looked {
    let Some(list) = hand.reach.file.telling_list() else { return Looked::CannotTell };
    if let Some(one) = &list.one {
        return ask_for_one(hand, list, one, sku).await;
    }
    // Locked during the reading, so that many who look read the list once.
    let mut seen = hand.reach.seen.lock().await;
    let is_enough = seen.as_ref().is_some_and(|seen| match since {
        Some(since) => seen.began >= since,
        None => seen.is_young(hand.ledger.now()),
    });
    if !is_enough {
        let (began, at) = (Instant::now(), hand.ledger.now());
        match walk(hand, list).await {
            Ok(there) => *seen = Some(Seen { began, at, there }),
            Err(error) => return failed(&error),
        }
    }
    match seen.as_ref().and_then(|seen| seen.there.get(&sku.key())) {
        Some(id) => Looked::There(id.clone()),
        None if since.is_some() || !is_enough => Looked::NotThere,
        None => Looked::NotAsked,
    }
}

fn failed(error: &PageError) -> Looked {
    Looked::Failed { reply: error.reply(), words: error.to_string() }
}

async fn walk(
    hand: &ConnectionContext<'_>,
    list: &Pull,
) -> Result<HashMap<String, Option<String>>, PageError> {
    let mut position = Position::of(PullState::default(), list, hand.ledger.now(), hand.ledger.now());
    let mut theirs = Theirs::default();
    loop {
        reconcile::wait_for_rate(hand).await;
        if !reconcile::one_page(hand, list, &mut position, &mut theirs).await? {
            break;
        }
        theirs.refuse_endless()?;
    }
    let Theirs { rows, mut ids, .. } = theirs;
    let keys = rows.into_iter().map(|row| row.sku.key());
    Ok(keys
        .map(|key| {
            let id = ids.remove(&key);
            (key, id)
        })
        .collect())
}

async fn ask_for_one(hand: &ConnectionContext<'_>, list: &Pull, one: &Address, sku: &Code) -> Looked {
    let url = match one.fill(&hand.reach.file.base, &[(Place::Sku, sku.as_str())]) {
        Ok(url) => url,
        Err(source) => return failed(&PageError::Address { what: WHAT, source }),
    };
    hand.reach.rate.owe();
    let body = match fetch(hand, WHAT, url, None).await {
        Ok(page) => page.map(|page| page.body).unwrap_or_default(),
        Err(error) if says_gone(error.reply()) => return Looked::NotThere,
        Err(error) => return failed(&error),
    };
    let rows = match read(hand, list, &body) {
        Ok(rows) => rows,
        Err(source) => return failed(&PageError::Unreadable { what: WHAT, source }),
    };
    let mut theirs = Theirs::default();
    for row in rows {
        theirs.add(list, row);
    }
    let is_there = theirs.rows.iter().any(|row| row.sku.key() == sku.key());
    match (is_there, theirs.rejected) {
        (true, _) => Looked::There(theirs.ids.remove(&sku.key())),
        // A record that cannot be read may be the one.
        (false, 1..) => {
            let words = format!("its {WHAT} has no {sku} that can be read; see the layout under [listed]");
            Looked::Failed { reply: Reply::Status { code: 200, retry_after: None }, words }
        }
        (false, 0) => Looked::NotThere,
    }
}

type Rows = Vec<Result<Parsed<ListedRow>, Reject>>;

/// Reads a list with one record, or the record by itself.
fn read(hand: &ConnectionContext<'_>, list: &Pull, body: &[u8]) -> Result<Rows, FeedError> {
    let reading = PageReading { layout: &list.layout, currency: hand.shop.currency, zone: &hand.shop.zone };
    let found = listings_of_page(body, reading);
    if !matches!(found, Err(FeedError::NoRecords { .. })) {
        return found;
    }
    let layout = list.layout.clone().at_root();
    listings_of_page(body, PageReading { layout: &layout, ..reading })
}
