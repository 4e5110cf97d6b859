//! Compares what the shop says it lists with our stock: what is safe is corrected, the rest waits for a
//! person's decision.
//!
//! It is safe to repeat the state of our own stock: old quantities, items that are gone. Prices and texts may
//! have been changed there on purpose. If they have less than we do, somebody may have bought it, so that is
//! corrected only once their orders are known up to after the list was made.

mod settle;

use super::by_hand::named;
use super::cycle::{ConnectionContext, quiet_of_fetch};
use super::orders::{PageError, Why, fetch, poll, try_again};
use super::place::{Position, mark};
use super::rng::Rng;
use super::runtime::Live;
use super::theirs::Theirs;
use super::turned::Turned;
use crate::chain::tell_all;
use crate::exchange::{CompareRun, IntakeError, Ours, read_listed};
use domain::ids::{ConnectionId, ItemId};
use feeds::connection::{NextPage, Pull};
use feeds::{PageReading, json_at, listings_of_page};
use ledger::online::{ClaimPull, NoteContact, PullOf, PullState, SettlePull, TroubleOf};
use ledger::{CommandError, Ledger};
use settle::settle;
use std::collections::{BTreeSet, HashMap};
use std::sync::Mutex;
use std::time::{Duration, Instant};

const WHAT: &str = "list of listings";
/// How long a reading goes on with one lease: half of it, so that a slow page stays within.
const RENEWED_AFTER: Duration = Duration::from_secs(20);

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reconciled {
    /// Listings on their side.
    pub listed: usize,
    /// Items that are sent again.
    pub mended: usize,
    /// Items that were offered there though we never sent them; they are sent from now on.
    pub adopted: usize,
    /// Differences that wait for a decision.
    pub asked: usize,
    /// Listings that cannot be read.
    pub rejected: usize,
}

/// Why a list that was handed in was not compared.
#[derive(Debug, thiserror::Error)]
pub enum ReconcileError {
    #[error(transparent)]
    File(#[from] IntakeError),
    /// The connection's text cannot be used.
    #[error("the connection cannot be used: {0}")]
    Text(#[from] feeds::connection::ConnectionError),
    #[error("{}", words::failure(.0))]
    Ledger(#[from] CommandError),
}

/// Why a connection's own list was not compared now.
#[derive(Debug, thiserror::Error)]
pub enum NotReconciled {
    #[error("{name} has no [listed] to read; give its list as a file")]
    NoList { name: String },
    /// Another process is comparing, or the shop asked for a pause.
    #[error("{name} is being compared already, or cannot be asked at the moment; try again soon")]
    Busy { name: String },
    #[error("{words}")]
    Fetch { words: String },
    #[error("{words}")]
    Broken {
        /// Why.
        words: String,
    },
    /// The ledger.
    #[error("{}", words::failure(.0))]
    Ledger(#[from] CommandError),
}

/// Fetches a connection's own list now, and compares it.
pub async fn reconcile(
    ledger: &Ledger,
    live: &Live,
    name: &str,
    dice: u64,
) -> Result<Reconciled, NotReconciled> {
    let connection = named(ledger, name).await?;
    let broken = |error: &(dyn std::error::Error + 'static)| NotReconciled::Broken { words: tell_all(error) };
    let reach = live.reach(&connection, ledger.now()).map_err(|e| broken(&e))?;
    let name = || name.to_owned();
    if reach.file.listed.is_none() {
        return Err(NotReconciled::NoList { name: name() });
    }
    let client = reach.client(live).map_err(|e| broken(&e))?;
    let (shop, chance) = (ledger.refresh_shop().await?, Mutex::new(Rng::new(dice)));
    let hand = ConnectionContext {
        ledger,
        live,
        connection: &connection,
        reach: &reach,
        client: &client,
        shop,
        early: true,
        chance: &chance,
    };
    match by_schedule(&hand).await? {
        Some(Ok(done)) => Ok(done),
        Some(Err(words)) => Err(NotReconciled::Fetch { words }),
        None => Err(NotReconciled::Busy { name: name() }),
    }
}

/// Compares a list that was handed in, and corrects as the schedule would.
pub async fn reconcile_given(
    ledger: &Ledger,
    live: &Live,
    connection: &str,
    run: &CompareRun<'_>,
) -> Result<Reconciled, ReconcileError> {
    let connection = named(ledger, connection).await?;
    let reach = live.reach(&connection, ledger.now())?;
    let (rows, rejected) = read_listed(ledger, run).await?;
    let theirs = Theirs { rows, ..Theirs::default() };
    let before = told(ledger, connection.id).await?;
    let (shop, chance) = (ledger.refresh_shop().await?, Mutex::new(Rng::new(0)));
    let done = if let Ok(client) = reach.client(live) {
        let (reach, client, connection) = (&*reach, &*client, &connection);
        let hand =
            ConnectionContext { ledger, live, connection, reach, client, shop, early: true, chance: &chance };
        known_and_settled(&hand, (&before, ListOf::File), theirs).await?
    } else {
        // Orders cannot be fetched here, so whatever may have been bought is left to a person.
        let of = reach.file.message_of();
        settle(ledger, connection.id, (of, false), (&before, ListOf::File), theirs).await?
    };
    Ok(Reconciled { rejected, ..done })
}

/// The revision of each item before their list was fetched: what was sent in the meantime may or may not be in
/// it, and is no difference.
type ToldBefore = HashMap<ItemId, i64>;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum ListOf {
    Now,
    /// It was handed in, and may be of any age.
    File,
}

async fn told(ledger: &Ledger, connection: ConnectionId) -> Result<ToldBefore, CommandError> {
    let ours = Ours::read(ledger, connection).await?;
    Ok(ours.stands.values().map(|stand| (stand.item, stand.told)).collect())
}

/// Takes in their orders first, and then compares.
async fn known_and_settled(
    hand: &ConnectionContext<'_>,
    before: (&ToldBefore, ListOf),
    theirs: Theirs,
) -> Result<Reconciled, CommandError> {
    let orders_are_known = poll(hand, Why::ReliedOn).await?;
    let of = hand.reach.file.message_of();
    settle(hand.ledger, hand.connection.id, (of, orders_are_known), before, theirs).await
}

/// Fetches the shop's list and compares it, if that is due and nobody else is doing it; returns the result, or
/// why there is none.
pub(super) async fn by_schedule(
    hand: &ConnectionContext<'_>,
) -> Result<Option<Result<Reconciled, String>>, CommandError> {
    let Some(pull) = &hand.reach.file.listed else { return Ok(None) };
    let Some((mut holder, state)) = claim(hand, hand.early).await? else { return Ok(None) };
    let now = hand.ledger.now();
    let mut half = match hand.reach.take_half(now) {
        Some(half) => half,
        None => HalfWalk {
            position: Position::of(PullState::default(), pull, now, now),
            theirs: Theirs::default(),
            before: told(hand.ledger, hand.connection.id).await?,
        },
    };
    let (next, words, fails, done) = match walk(hand, pull, &mut holder, &state, &mut half).await? {
        None => return Ok(None),
        Some(Ok(())) => {
            let HalfWalk { theirs, before, .. } = half;
            let rejected = theirs.rejected;
            let done = known_and_settled(hand, (&before, ListOf::Now), theirs).await?;
            let done = Reconciled { rejected, ..done };
            tracing::info!(connection = hand.connection.name, ?done, "its list was compared with the shelf");
            hand.ledger
                .execute(None, &NoteContact { connection: hand.connection.id, of: TroubleOf::Listings })
                .await?;
            let words =
                || format!("{rejected} of its listings cannot be read; see the layout under [listed]");
            (hand.after(pull.every.duration()), (rejected > 0).then(words), 0, Ok(done))
        }
        Some(Err(error)) => {
            let fails = state.fails.saturating_add(1);
            let next = try_again_soon(hand, pull, fails, &error);
            if error.asks_to_wait() {
                hand.reach.keep_half(half, hand.ledger.now());
            }
            quiet_of_fetch(hand, error.reply(), error.to_string()).await?;
            (next, Some(error.to_string()), fails, Err(error.to_string()))
        }
    };
    let state = PullState { fails, ..PullState::default() };
    let connection = hand.connection.id;
    let what = PullOf::Listings;
    let settle = SettlePull { connection, what, holder, state, next, words, reread_begun: None };
    hand.ledger.execute(None, &settle).await?;
    Ok(Some(done))
}

/// A reading that failed is not left for hours.
fn try_again_soon(
    hand: &ConnectionContext<'_>,
    pull: &Pull,
    fails: u32,
    error: &PageError,
) -> domain::day::Moment {
    const SOON: Duration = Duration::from_mins(1);
    let wait = domain::delivery::back_off(fails, hand.dice(), error.reply());
    let soon = hand.after(wait.max(SOON));
    soon.min(try_again(hand, pull, fails, error.reply()))
}

async fn claim(hand: &ConnectionContext<'_>, early: bool) -> Result<Option<(i64, PullState)>, CommandError> {
    let holder = hand.ledger.new_holder()?;
    let claim = ClaimPull { connection: hand.connection.id, what: PullOf::Listings, holder, early };
    Ok(hand.ledger.execute(None, &claim).await?.answer.map(|state| (holder, state)))
}

/// Releases the reading and claims it again, to extend its lease; none if somebody else has it now.
async fn renew(
    hand: &ConnectionContext<'_>,
    holder: i64,
    state: &PullState,
) -> Result<Option<i64>, CommandError> {
    let (connection, next) = (hand.connection.id, hand.ledger.now());
    let state = state.clone();
    let what = PullOf::Listings;
    let settle = SettlePull { connection, what, holder, state, next, words: None, reread_begun: None };
    if !hand.ledger.execute(None, &settle).await?.answer {
        return Ok(None);
    }
    Ok(claim(hand, true).await?.map(|(holder, _)| holder))
}

/// A reading of their list and what it met so far. If a shop limits requests, the reading goes on at its page
/// later; otherwise a long list would never be read to its end.
#[derive(Debug)]
pub(super) struct HalfWalk {
    position: Position,
    theirs: Theirs,
    before: ToldBefore,
}

/// Reads all of their list; none if another process took over.
async fn walk(
    hand: &ConnectionContext<'_>,
    pull: &Pull,
    holder: &mut i64,
    state: &PullState,
    half: &mut HalfWalk,
) -> Result<Option<Result<(), PageError>>, CommandError> {
    let mut begun = Instant::now();
    loop {
        if begun.elapsed() > RENEWED_AFTER {
            let Some(again) = renew(hand, *holder, state).await? else { return Ok(None) };
            (*holder, begun) = (again, Instant::now());
        }
        wait_for_rate(hand).await;
        match one_page(hand, pull, &mut half.position, &mut half.theirs).await {
            Ok(true) => {
                if let Err(error) = half.theirs.refuse_endless() {
                    return Ok(Some(Err(error)));
                }
            }
            Ok(false) => return Ok(Some(Ok(()))),
            Err(error) => return Ok(Some(Err(error))),
        }
    }
}

/// The reading must be complete, so it waits for the rate limit here and not for the next cycle.
pub(super) async fn wait_for_rate(hand: &ConnectionContext<'_>) {
    const LONGEST: Duration = Duration::from_secs(1);
    let now = hand.ledger.now();
    if hand.reach.rate.take(1, now) == 0 {
        let wait = u64::try_from(hand.reach.rate.next(now).millis() - now.millis()).unwrap_or(0);
        tokio::time::sleep(Duration::from_millis(wait).min(LONGEST)).await;
        hand.reach.rate.owe();
    }
}

pub(super) async fn one_page(
    hand: &ConnectionContext<'_>,
    pull: &Pull,
    position: &mut Position,
    theirs: &mut Theirs,
) -> Result<bool, PageError> {
    let url = position.address(&hand.reach.file.base, pull);
    let url = url.map_err(|source| PageError::Address { what: WHAT, source })?;
    let endless = |why| PageError::Endless { what: WHAT, why };
    let page = match fetch(hand, WHAT, url.clone(), None).await {
        Err(error) if error.is_past_end(pull, position) => {
            return position.turn(pull, &Turned::not_there(url), hand.ledger.now()).map_err(endless);
        }
        page => page?,
    };
    let Some(page) = page else { return Ok(false) };
    let reading = PageReading { layout: &pull.layout, currency: hand.shop.currency, zone: &hand.shop.zone };
    let listed = listings_of_page(&page.body, reading);
    let listed = listed.map_err(|source| PageError::Unreadable { what: WHAT, source })?;
    let turned = Turned {
        from: url,
        link: page.answer.next,
        cursor: match &pull.next {
            NextPage::Cursor(place) => json_at(&page.body, place),
            _ => None,
        },
        records: listed.len(),
        hash: mark(&feeds::hash::file_hash(page.body.as_slice()).unwrap_or_default()),
        prints: BTreeSet::new(),
        newest: None,
        etag: None,
        date: None,
    };
    for one in listed {
        if let Err(reject) = &one {
            tracing::debug!(connection = hand.connection.name, "a listing cannot be read: {reject}");
        }
        theirs.add(pull, one);
    }
    position.turn(pull, &turned, hand.ledger.now()).map_err(endless)
}
