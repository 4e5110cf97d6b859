//! Tells the service manager (`sd_notify(3)` of systemd) when the shop is open, when it closes, and that it
//! still works. Without a service manager nothing is sent.

use ledger::Ledger;
use sd_notify::NotifyState;
use std::time::Duration;
use tokio::sync::watch;

/// Pings in each interval that the manager allows, so that one may be late (`sd_watchdog_enabled(3)` asks for
/// half the interval).
const PINGS_A_WHILE: u32 = 2;

/// The shop is listening and its database is open.
pub(crate) fn ready() {
    tell(NotifyState::Ready);
}

pub(crate) fn stopping() {
    tell(NotifyState::Stopping);
}

/// Pings the manager for as long as the database answers, if the manager asked for it. If the database does
/// not answer in time, the manager restarts the program.
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
