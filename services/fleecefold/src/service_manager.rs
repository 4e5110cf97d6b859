//! What the service manager that started the program is told (`sd_notify(3)` of systemd): when the shop is
//! open, when it closes, and that it still works. Without a manager nothing is told.

use ledger::Ledger;
use sd_notify::NotifyState;
use std::time::Duration;
use tokio::sync::watch;

/// Pings for each time that the manager allows between two: one may come late (`sd_watchdog_enabled(3)` asks for
/// half of it).
const PINGS_A_WHILE: u32 = 2;

/// The shop can be asked: it listens, and its database is open.
pub(crate) fn ready() {
    tell(NotifyState::Ready);
}

/// The program was told to end and is ending.
pub(crate) fn stopping() {
    tell(NotifyState::Stopping);
}

/// Pings the manager for as long as the database answers, if the manager wants to know; where it does not answer in
/// time, the manager starts the program anew.
pub(crate) async fn watch_over(ledger: Ledger, mut stop: watch::Receiver<bool>) {
    let Some(allowed) = sd_notify::watchdog_enabled() else { return };
    let every = (allowed / PINGS_A_WHILE).max(Duration::from_millis(1));
    let mut ticks = tokio::time::interval(every);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            _ = ticks.tick() => {}
            _ = stop.wait_for(|stop| *stop) => return,
        }
        match tokio::time::timeout(every, ledger.ping()).await {
            Ok(Ok(())) => tell(NotifyState::Watchdog),
            Ok(Err(failure)) => {
                tracing::warn!(%failure, "the database does not answer; the service manager is not pinged");
            }
            Err(_) => {
                tracing::warn!("the database does not answer in time; the service manager is not pinged");
            }
        }
    }
}

fn tell(state: NotifyState<'_>) {
    if let Err(error) = sd_notify::notify(&[state]) {
        tracing::warn!(%error, "the service manager cannot be told");
    }
}
