//! One cycle does what is due for a connection now, and says when more will be due. Nothing here sleeps, so a
//! test's clock turns hours of waiting into nothing.

use super::client::Client;
use super::deferred;
use super::drain::{self, quiet_down};
use super::hooks;
use super::orders;
use super::reconcile;
use super::rng::Rng;
use super::runtime::{ConnectionRuntime, Live};
use crate::chain::tell_all;
use domain::day::Moment;
use domain::delivery::{NoAnswer, Reply};
use ledger::online::{FetchedDue, FillConnection, LiveConnection, MessagesDue, QuietConnection, TroubleOf};
use ledger::{CommandError, Ledger, Shop};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// How long a connection waits if its text or secret cannot be used: until somebody has corrected it.
const BROKEN_WAIT: Duration = Duration::from_secs(30);
/// Steps through the stock in one cycle; the rest follows in the next.
const FILLS_A_ROUND: usize = 20;

pub(super) struct ConnectionContext<'a> {
    pub(super) ledger: &'a Ledger,
    pub(super) live: &'a Live,
    pub(super) connection: &'a LiveConnection,
    pub(super) reach: &'a ConnectionRuntime,
    pub(super) client: &'a Client,
    pub(super) shop: Arc<Shop>,
    /// A person asks, so nothing waits for its time.
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

/// When there will be more to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// At that moment, or earlier if the shop changes.
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

#[derive(Clone, Copy, Debug)]
pub struct SyncCycle;

impl SyncCycle {
    /// Does what is due now, by the ledger's clock, for each connection, and says when there will be more. All
    /// randomness comes from `dice`.
    pub async fn run(ledger: &Ledger, live: &Live, dice: u64) -> Result<When, CommandError> {
        let mut when = When::OnChange;
        for connection in ledger.live_connections().await? {
            let dice = dice ^ connection.id.raw().unsigned_abs();
            when = when.and(one(ledger, live, &connection, CycleOptions::of(&Part::ALL, dice)).await?);
        }
        Ok(when)
    }
}

/// What a cycle handles. In the service each part has cycles of its own, so a shop that is slow with its orders
/// delays no message, and a long list delays no order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// Outgoing messages, and the stock behind them.
    Messages,
    /// Orders, and those that were kept for another try.
    Orders,
    Listed,
}

impl Part {
    pub(super) const ALL: [Self; 3] = [Self::Messages, Self::Orders, Self::Listed];
}

#[derive(Clone, Copy, Debug)]
pub(super) struct CycleOptions<'a> {
    parts: &'a [Part],
    dice: u64,
    /// A person asks, so nothing waits for its time.
    early: bool,
}

impl<'a> CycleOptions<'a> {
    pub(super) fn of(parts: &'a [Part], dice: u64) -> Self {
        Self { parts, dice, early: false }
    }

    /// Orders only, ahead of time.
    pub(super) fn orders_early(dice: u64) -> CycleOptions<'static> {
        CycleOptions { parts: &[Part::Orders], dice, early: true }
    }

    /// Everything, and lists ahead of time.
    pub(super) fn early(dice: u64) -> CycleOptions<'static> {
        CycleOptions { parts: &Part::ALL, dice, early: true }
    }

    fn has(self, part: Part) -> bool {
        self.parts.contains(&part)
    }
}

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

/// When there will be something to do for this part of the connection.
#[derive(Clone, Copy, Debug, Default)]
struct Due {
    told: MessagesDue,
    fetched: FetchedDue,
}

/// Asks only for what the cycle handles.
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

/// Messages and fetches run side by side, so that neither waits for the other.
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
                let why = if hand.early { orders::Why::Wanted } else { orders::Why::Due };
                orders::poll(hand, why).await?;
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

/// No message is sent before the rate limit allows one.
fn next(ledger: &Ledger, reach: &ConnectionRuntime, Due { told, fetched }: Due) -> When {
    let by_rate = reach.rate.next(ledger.now());
    let messages = told.messages.map(|at| at.max(by_rate));
    When::of([messages, told.fill, fetched.orders, fetched.listings, fetched.kept])
}

/// The text or secret cannot be used: the connection waits and says why.
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

/// What a fetch does when the whole connection must pause.
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
