//! One round: what is due for a connection now is done, and when it is due next is said. Nothing sleeps in
//! here, so that a test's own clock makes hours of waiting into nothing.

use super::client::Client;
use super::deferred;
use super::drain::{self, quiet_down};
use super::hooks;
use super::orders;
use super::reconcile;
use super::rng::Rng;
use super::runtime::{ConnectionRuntime, Live};
use crate::words::tell_all;
use domain::day::Moment;
use domain::delivery::{NoAnswer, Reply};
use ledger::online::{FetchedDue, FillConnection, LiveConnection, MessagesDue, QuietConnection, TroubleOf};
use ledger::{CommandError, Ledger, Shop};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// How long a connection waits whose text or secret cannot be used: until somebody has mended it.
const BROKEN_WAIT: Duration = Duration::from_secs(30);
/// Steps over the shelf in one round; the rest has its turn in the next.
const FILLS_A_ROUND: usize = 20;

/// A connection in the hand of one round.
pub(super) struct ConnectionContext<'a> {
    pub(super) ledger: &'a Ledger,
    pub(super) live: &'a Live,
    pub(super) connection: &'a LiveConnection,
    pub(super) reach: &'a ConnectionRuntime,
    pub(super) client: &'a Client,
    pub(super) shop: Arc<Shop>,
    /// Whether a person asks, so that nothing waits for its time.
    pub(super) early: bool,
    pub(super) chance: &'a Mutex<Rng>,
}

impl ConnectionContext<'_> {
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
pub struct SyncCycle;

impl SyncCycle {
    /// Does what is due at the ledger's now for each connection, and says when there is more. Chance comes
    /// from `dice` alone.
    pub async fn run(ledger: &Ledger, live: &Live, dice: u64) -> Result<When, CommandError> {
        let mut when = When::OnChange;
        for connection in ledger.live_connections().await? {
            let dice = dice ^ connection.id.raw().unsigned_abs();
            when = when.and(one(ledger, live, &connection, CycleOptions::of(&Part::ALL, dice)).await?);
        }
        Ok(when)
    }
}

/// What a round sees to. While the program runs each has rounds of its own, so that a shop which is slow
/// with its orders holds up no message, and a long list no order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// What goes out, and the shelf behind it.
    Messages,
    /// Orders, and those that were kept.
    Orders,
    /// What the other shop lists.
    Listed,
}

impl Part {
    pub(super) const ALL: [Self; 3] = [Self::Messages, Self::Orders, Self::Listed];
}

/// How a round goes.
#[derive(Clone, Copy, Debug)]
pub(super) struct CycleOptions<'a> {
    parts: &'a [Part],
    dice: u64,
    /// Whether a person asks, so that nothing waits for its time.
    early: bool,
}

impl<'a> CycleOptions<'a> {
    pub(super) fn of(parts: &'a [Part], dice: u64) -> Self {
        Self { parts, dice, early: false }
    }

    /// Orders alone, before their time.
    pub(super) fn orders_early(dice: u64) -> CycleOptions<'static> {
        CycleOptions { parts: &[Part::Orders], dice, early: true }
    }

    /// All of it, and lists before their time.
    pub(super) fn early(dice: u64) -> CycleOptions<'static> {
        CycleOptions { parts: &Part::ALL, dice, early: true }
    }

    fn has(self, part: Part) -> bool {
        self.parts.contains(&part)
    }
}

/// A round of one connection.
pub(super) async fn one(
    ledger: &Ledger,
    live: &Live,
    connection: &LiveConnection,
    turn: CycleOptions<'_>,
) -> Result<When, CommandError> {
    if let Some(by) = ledger.look_at_clock(connection.id).await? {
        tracing::warn!(connection = connection.name, "the clock was set back by {} s", by / 1000);
    }
    let reach = match live.reach(connection, ledger.now()) {
        Ok(reach) => reach,
        Err(error) => return broken(ledger, connection, tell_all(&error)).await,
    };
    if turn.has(Part::Messages) {
        hooks::count_unsigned(ledger, connection.id, reach.unsigned_left()).await?;
    }
    let mut due = due(ledger, &reach, connection, turn).await?;
    if is_due(due.told.fill, ledger.now()) {
        fill(ledger, connection).await?;
        due = self::due(ledger, &reach, connection, turn).await?;
    }
    let now = ledger.now();
    if !turn.early
        && ![due.told.messages, due.fetched.orders, due.fetched.listings, due.fetched.kept]
            .into_iter()
            .any(|at| is_due(at, now))
    {
        return Ok(next(ledger, &reach, due));
    }
    let client = match reach.client(live) {
        Ok(client) => client,
        Err(error) => return broken(ledger, connection, tell_all(&error)).await,
    };
    let chance = Mutex::new(Rng::new(turn.dice));
    let shop = ledger.refresh_shop().await?;
    let early = turn.early;
    let hand = ConnectionContext {
        ledger,
        live,
        connection,
        reach: &reach,
        client: &client,
        shop,
        early,
        chance: &chance,
    };
    work(&hand, due).await?;
    Ok(next(ledger, &reach, self::due(ledger, &reach, connection, turn).await?))
}

fn is_due(at: Option<Moment>, now: Moment) -> bool {
    at.is_some_and(|at| at <= now)
}

/// When there is something to do, of what the connection has and the round sees to.
#[derive(Clone, Copy, Debug, Default)]
struct Due {
    told: MessagesDue,
    fetched: FetchedDue,
}

/// Only what the round sees to is asked for.
async fn due(
    ledger: &Ledger,
    reach: &ConnectionRuntime,
    connection: &LiveConnection,
    turn: CycleOptions<'_>,
) -> Result<Due, CommandError> {
    let mut due = Due::default();
    if turn.has(Part::Messages) {
        due.told = ledger.messages_due(connection.id).await?;
    }
    if turn.has(Part::Orders) || turn.has(Part::Listed) {
        let found = ledger.fetched_due(connection.id).await?;
        due.fetched = FetchedDue {
            orders: found.orders.filter(|_| turn.has(Part::Orders) && reach.file.orders.is_some()),
            kept: found.kept.filter(|_| turn.has(Part::Orders)),
            listings: found.listings.filter(|_| turn.has(Part::Listed) && reach.file.listed.is_some()),
        };
    }
    Ok(due)
}

/// Messages go beside what is fetched: neither waits for the other.
async fn work(hand: &ConnectionContext<'_>, due: Due) -> Result<(), CommandError> {
    let now = hand.ledger.now();
    let is_wanted = |at: Option<Moment>| is_due(at, now) || hand.early;
    let (drained, fetched) = tokio::join!(
        async {
            if is_wanted(due.told.messages) {
                drain::drain(hand).await?;
            }
            Ok::<(), CommandError>(())
        },
        async {
            if is_wanted(due.fetched.orders) {
                orders::poll(hand, hand.early).await?;
            }
            if is_wanted(due.fetched.kept) {
                deferred::try_again(hand).await?;
            }
            if is_wanted(due.fetched.listings) {
                reconcile::by_schedule(hand).await?;
            }
            Ok::<(), CommandError>(())
        }
    );
    drained.and(fetched)
}

async fn fill(ledger: &Ledger, connection: &LiveConnection) -> Result<(), CommandError> {
    for _ in 0..FILLS_A_ROUND {
        if !ledger.execute(None, &FillConnection { connection: connection.id }).await?.answer {
            break;
        }
    }
    Ok(())
}

/// No message goes before the rate allows one.
fn next(ledger: &Ledger, reach: &ConnectionRuntime, Due { told, fetched }: Due) -> When {
    let by_rate = reach.rate.next(ledger.now());
    let messages = told.messages.map(|at| at.max(by_rate));
    When::of([messages, told.fill, fetched.orders, fetched.listings, fetched.kept])
}

/// A text or secret that cannot be used: the connection waits, and says why.
async fn broken(ledger: &Ledger, connection: &LiveConnection, words: String) -> Result<When, CommandError> {
    let until = after(ledger.now(), BROKEN_WAIT);
    let of = TroubleOf::Connection;
    let quiet = QuietConnection { connection: connection.id, until, asked: false, words, of };
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
pub(super) async fn quiet_of_fetch(
    hand: &ConnectionContext<'_>,
    reply: Reply,
    words: String,
) -> Result<bool, CommandError> {
    use domain::delivery::{Saying, Verdict, verdict};
    let is_quiet =
        verdict(reply, Saying::State) == Verdict::Quiet || reply == Reply::NoAnswer(NoAnswer::NotSent);
    if is_quiet {
        quiet_down(hand, reply, words).await?;
    }
    Ok(is_quiet)
}
