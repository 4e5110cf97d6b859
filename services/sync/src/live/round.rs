//! One round: what is due for a connection now is done, and when it is due next is said. Nothing sleeps in
//! here, so that a test's own clock makes hours of waiting into nothing.

use super::client::Client;
use super::dice::Dice;
use super::drain::{self, quiet_down};
use super::kept;
use super::orders;
use super::reach::{Live, Reach};
use super::reconcile;
use crate::words::tell_all;
use domain::day::Moment;
use domain::delivery::{NoAnswer, Reply};
use ledger::{Failure, FillConnection, Ledger, LiveConnection, LiveDue, QuietConnection, Shop};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// How long a connection waits whose text or secret cannot be used: until somebody has mended it.
const BROKEN_WAIT: Duration = Duration::from_secs(30);
/// Steps over the shelf in one round; the rest has its turn in the next.
const FILLS_A_ROUND: usize = 20;

/// A connection in the hand of one round.
pub(super) struct Hand<'a> {
    pub(super) ledger: &'a Ledger,
    pub(super) live: &'a Live,
    pub(super) connection: &'a LiveConnection,
    pub(super) reach: &'a Reach,
    pub(super) client: &'a Client,
    pub(super) shop: Arc<Shop>,
    /// Whether a person asks, so that nothing waits for its time.
    pub(super) early: bool,
    pub(super) chance: &'a Mutex<Dice>,
}

impl Hand<'_> {
    pub(super) fn dice(&self) -> u64 {
        self.chance.lock().unwrap_or_else(PoisonError::into_inner).next()
    }

    pub(super) fn after(&self, wait: Duration) -> Moment {
        after(self.ledger.now(), wait)
    }
}

fn after(now: Moment, wait: Duration) -> Moment {
    now.plus_millis(i64::try_from(wait.as_millis()).unwrap_or(i64::MAX))
}

/// When there is something to do next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// At that moment, or sooner if the shop changes.
    At(Moment),
    /// Only when the shop changes.
    OnChange,
}

impl When {
    fn of(moments: impl IntoIterator<Item = Option<Moment>>) -> Self {
        moments.into_iter().flatten().min().map_or(Self::OnChange, Self::At)
    }

    fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::At(one), Self::At(other)) => Self::At(one.min(other)),
            (Self::OnChange, other) => other,
            (one, Self::OnChange) => one,
        }
    }
}

/// A round over all connections.
#[derive(Clone, Copy, Debug)]
pub struct Round;

impl Round {
    /// Does what is due at the ledger's now for each connection, and says when there is more. Chance comes
    /// from `dice` alone.
    pub async fn run(ledger: &Ledger, live: &Live, dice: u64) -> Result<When, Failure> {
        let mut when = When::OnChange;
        for connection in ledger.live_connections().await? {
            let dice = dice ^ connection.id.raw().unsigned_abs();
            when = when.and(one(ledger, live, &connection, dice, false).await?);
        }
        Ok(when)
    }
}

/// A round of one connection.
pub(super) async fn one(
    ledger: &Ledger,
    live: &Live,
    connection: &LiveConnection,
    dice: u64,
    early: bool,
) -> Result<When, Failure> {
    let now = ledger.now();
    let due = ledger.live_due(connection.id).await?;
    let reach = match live.reach(connection, now) {
        Ok(reach) => reach,
        Err(error) => return broken(ledger, connection, tell_all(&error)).await,
    };
    let is_due = |at: Option<Moment>| at.is_some_and(|at| at <= now);
    if is_due(due.fill) {
        fill(ledger, connection).await?;
    }
    if !early && ![due.messages, due.orders, due.listings, due.kept, due.fill].into_iter().any(is_due) {
        return Ok(next(ledger, &reach, due));
    }
    let client = match reach.client(live) {
        Ok(client) => client,
        Err(error) => return broken(ledger, connection, tell_all(&error)).await,
    };
    let chance = Mutex::new(Dice::new(dice));
    let shop = ledger.refresh_shop().await?;
    let hand =
        Hand { ledger, live, connection, reach: &reach, client: &client, shop, early, chance: &chance };
    work(&hand).await?;
    Ok(next(ledger, &reach, ledger.live_due(connection.id).await?))
}

/// Messages go beside what is fetched: neither waits for the other.
async fn work(hand: &Hand<'_>) -> Result<(), Failure> {
    let (drained, fetched) = tokio::join!(drain::drain(hand), async {
        if hand.reach.file.orders.is_some() {
            orders::poll(hand).await?;
        }
        kept::try_again(hand).await?;
        if hand.reach.file.listed.is_some() {
            reconcile::by_schedule(hand).await?;
        }
        Ok::<(), Failure>(())
    });
    drained.and(fetched)
}

async fn fill(ledger: &Ledger, connection: &LiveConnection) -> Result<(), Failure> {
    for _ in 0..FILLS_A_ROUND {
        if !ledger.execute(None, &FillConnection { connection: connection.id }).await?.answer {
            break;
        }
    }
    Ok(())
}

/// Only what the connection has counts, and no message before the rate allows one.
fn next(ledger: &Ledger, reach: &Reach, due: LiveDue) -> When {
    let file = &reach.file;
    let by_rate = reach.rate.next(ledger.now());
    When::of([
        due.messages.map(|at| at.max(by_rate)),
        due.orders.filter(|_| file.orders.is_some()).map(|at| at.max(by_rate)),
        due.listings.filter(|_| file.listed.is_some()).map(|at| at.max(by_rate)),
        due.kept,
        due.fill,
    ])
}

/// A text or secret that cannot be used: the connection waits, and says why.
async fn broken(ledger: &Ledger, connection: &LiveConnection, words: String) -> Result<When, Failure> {
    let until = after(ledger.now(), BROKEN_WAIT);
    let quiet = QuietConnection { connection: connection.id, until, words };
    ledger.execute(None, &quiet).await?;
    tracing::warn!(
        connection = connection.name,
        "{}; tried again in {} s",
        quiet.words,
        BROKEN_WAIT.as_secs()
    );
    Ok(When::At(until))
}

/// What a fetch does where the whole connection has to wait.
pub(super) async fn quiet_of_fetch(hand: &Hand<'_>, reply: Reply, words: String) -> Result<bool, Failure> {
    use domain::delivery::{Saying, Verdict, verdict};
    let is_quiet =
        verdict(reply, Saying::State) == Verdict::Quiet || reply == Reply::NoAnswer(NoAnswer::NotSent);
    if is_quiet {
        quiet_down(hand, reply, words).await?;
    }
    Ok(is_quiet)
}
