//! The exchange while the program runs: every connection has cycles of its own, again and again.

use super::cycle::{CycleOptions, Part, When, one};
use super::rng::Rng;
use super::runtime::Live;
use crate::chain::tell_all;
use domain::day::Moment;
use domain::delivery::REQUEST_TIMEOUT;
use domain::ids::{ConnectionId, ItemId};
use ledger::online::PruneLive;
use ledger::{CommandError, Ledger};
use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, sleep_until};

/// The longest time without a look, whatever was signaled: if the machine's clock is set, what is due comes
/// late by no more than this.
const LOOK_EVERY: Duration = Duration::from_secs(30);
/// How often to look for connections that were made or ended, however much is signaled.
const CONNECTIONS_EVERY: Duration = Duration::from_secs(1);
/// The least time between two cycles, so that none spins, whatever is wrong.
const LEAST_PAUSE: Duration = Duration::from_millis(20);
/// How long a connection waits while the database is away.
const TROUBLE_WAIT: Duration = Duration::from_secs(5);
/// How far the clock may run ahead of the time that passed before it counts as set: half of a lease.
const CLOCK_SLACK: Duration = Duration::from_secs(30);
/// How often the outbox is cleared of rows that mean nothing any more.
const PRUNE_EVERY: Duration = Duration::from_hours(1);
/// The pause between two steps of that, for others who write.
const PRUNE_PAUSE: Duration = Duration::from_millis(100);

/// Keeps all connections going until `shutdown`. `seed` starts the random numbers.
pub async fn serve(ledger: Ledger, live: Arc<Live>, seed: u64, shutdown: impl Future<Output = ()>) {
    let mut tended: HashMap<(ConnectionId, usize), JoinHandle<()>> = HashMap::new();
    let mut changes = ledger.changes();
    let mut dice = Rng::new(seed);
    let pruning = tokio::spawn(prune(ledger.clone()));
    let listener = ledger.clone();
    let hearing = tokio::spawn(async move { listener.listen_for_commits().await });
    tokio::pin!(shutdown);
    loop {
        match ledger.live_connections().await {
            Ok(connections) => {
                tended.retain(|_, task| !task.is_finished());
                for (connection, (at, part)) in connections
                    .iter()
                    .flat_map(|c| Part::ALL.into_iter().enumerate().map(move |part| (c, part)))
                {
                    tended.entry((connection.id, at)).or_insert_with(|| {
                        let (ledger, live, dice) = (ledger.clone(), Arc::clone(&live), dice.next());
                        tokio::spawn(tend(ledger, live, connection.id, part, dice))
                    });
                }
            }
            Err(error) => tracing::warn!("the connections cannot be read: {}", tell_all(&error)),
        }
        changes.mark_unchanged();
        tokio::select! {
            () = &mut shutdown => break,
            () = sleep(LOOK_EVERY) => {}
            // An error means that the ledger is closed, and the pause before the next look stays.
            () = quietly(&mut changes) => {}
        }
    }
    // Being dropped in the middle is an interruption: leases run out, and what was sent is sent again.
    for task in tended.into_values().chain([pruning, hearing]) {
        task.abort();
        let _ = task.await;
    }
}

/// A change, but not more often than once in a while: nothing here depends on seeing every one.
async fn quietly(changes: &mut watch::Receiver<u64>) {
    sleep(CONNECTIONS_EVERY).await;
    if changes.changed().await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// Keeps one part of a connection going until the connection is ended.
async fn tend(ledger: Ledger, live: Arc<Live>, id: ConnectionId, part: Part, seed: u64) {
    let mut dice = Rng::new(seed);
    let mut changes = ledger.changes();
    let mut seen = (ledger.now(), Instant::now());
    loop {
        if is_set_forward(seen, (ledger.now(), Instant::now())) {
            // By the new clock all leases are over, but what they protect may still be on its way.
            tracing::warn!("the clock was set forward; what may be under way is waited for");
            sleep(REQUEST_TIMEOUT).await;
        }
        seen = (ledger.now(), Instant::now());
        changes.mark_unchanged();
        let turn = CycleOptions::of(std::slice::from_ref(&part), dice.next());
        let when = match round(&ledger, &live, id, turn).await {
            Ok(Some(when)) => when,
            Ok(None) => return,
            Err(error) => {
                tracing::warn!("the exchange is held up: {}", tell_all(&error));
                sleep(TROUBLE_WAIT).await;
                continue;
            }
        };
        wait(&ledger, when, part, &mut changes).await;
    }
}

async fn round(
    ledger: &Ledger,
    live: &Live,
    id: ConnectionId,
    turn: CycleOptions<'_>,
) -> Result<Option<When>, CommandError> {
    let connections = ledger.live_connections().await?;
    let Some(connection) = connections.iter().find(|c| c.id == id) else { return Ok(None) };
    one(ledger, live, connection, turn).await.map(Some)
}

/// Waits until then, or until something changes that this part handles.
async fn wait(ledger: &Ledger, when: When, part: Part, changes: &mut watch::Receiver<u64>) {
    let wait = match when {
        When::At(at) => {
            let left = u64::try_from(at.millis() - ledger.now().millis()).unwrap_or(0);
            Duration::from_millis(left).clamp(LEAST_PAUSE, LOOK_EVERY)
        }
        When::OnChange => LOOK_EVERY,
    };
    let until = Instant::now() + wait;
    if part == Part::Listed {
        return sleep_until(until).await;
    }
    tokio::select! {
        () = sleep_until(until) => {}
        heard = changes.changed() => {
            if heard.is_err() {
                sleep_until(until).await;
            }
        }
    }
}

/// Whether the clock advanced by more than the time that passed.
fn is_set_forward((then, since): (Moment, Instant), (now, at): (Moment, Instant)) -> bool {
    let passed = at.saturating_duration_since(since) + CLOCK_SLACK;
    let by_clock = u64::try_from(now.millis().saturating_sub(then.millis())).unwrap_or(0);
    Duration::from_millis(by_clock) > passed
}

async fn prune(ledger: Ledger) {
    loop {
        let mut after: Option<ItemId> = None;
        loop {
            match ledger.execute(None, &PruneLive { after }).await {
                Ok(done) if done.answer.is_some() => after = done.answer,
                Ok(_) => break,
                Err(error) => {
                    tracing::warn!("the outbox was not gone through: {}", tell_all(&error));
                    break;
                }
            }
            sleep(PRUNE_PAUSE).await;
        }
        sleep(PRUNE_EVERY).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_runs_ahead_of_the_time_that_passed_was_set() {
        let (then, since) = (Moment::from_millis(1_781_524_800_000), Instant::now());
        let check = |clock_ms: i64, passed_ms: u64, expected: bool| {
            let at = since + Duration::from_millis(passed_ms);
            let found = is_set_forward((then, since), (then.plus_millis(clock_ms), at));
            assert_eq!(found, expected, "{clock_ms} {passed_ms}");
        };
        check(0, 0, false);
        check(3_600_000, 3_600_000, false);
        check(30_000, 0, false);
        check(30_001, 0, true);
        check(3_600_000, 1000, true);
        // Set back: what waits by the clock is corrected elsewhere.
        check(-3_600_000, 1000, false);
    }
}
