//! How the connections to online shops are doing, for Prometheus: read from the ledger, where every sending
//! process records it, so that any of them can report on all.

use domain::day::Moment;
use ledger::online::ConnectionStatus;
use ledger::{CommandError, Ledger};
use metrics::{counter, describe_counter, describe_gauge, gauge, with_local_recorder};
use metrics_exporter_prometheus::PrometheusBuilder;
use tokio::sync::Mutex;

/// How long a reading is reused: anybody who reaches this server may ask, and each reading counts what waits.
/// what waits.
const FRESH_MS: i64 = 1000;

const LAG: &str = "fleecefold_sync_lag_seconds";
const WAITING: &str = "fleecefold_sync_waiting";
const PARKED: &str = "fleecefold_sync_parked";
const SENT: &str = "fleecefold_sync_sent_total";
const REFUSED: &str = "fleecefold_sync_refused_total";
const DEFERRED: &str = "fleecefold_sync_orders_deferred";
const DIFFERENCES: &str = "fleecefold_sync_differences";
const CONTACT: &str = "fleecefold_sync_contact_seconds";

/// Whole seconds since the oldest unsent change; never negative, even if the clock was set back.
pub(crate) fn lag_seconds(status: &ConnectionStatus, now: Moment) -> Option<i64> {
    status.oldest_unsent.map(|since| (now.millis() - since.millis()).max(0) / 1000)
}

#[derive(Debug, Default)]
pub(crate) struct ConnectionMeters(Mutex<Option<(Moment, String)>>);

impl ConnectionMeters {
    /// The text for Prometheus; whoever asks at the same time waits and gets the same.
    pub(crate) async fn read(&self, ledger: &Ledger) -> Result<String, CommandError> {
        let mut kept = self.0.lock().await;
        let now = ledger.now();
        if let Some((at, text)) = kept.as_ref()
            && (0..FRESH_MS).contains(&(now.millis() - at.millis()))
        {
            return Ok(text.clone());
        }
        let text = render(&ledger.connection_statuses().await?, now);
        *kept = Some((now, text.clone()));
        Ok(text)
    }
}

/// Written anew each time, so that ended connections disappear.
fn render(statuses: &[ConnectionStatus], now: Moment) -> String {
    let recorder = PrometheusBuilder::new().build_recorder();
    with_local_recorder(&recorder, || {
        describe_gauge!(LAG, "Seconds since the oldest change that may be told and was not.");
        describe_gauge!(WAITING, "Items with something to tell.");
        describe_gauge!(PARKED, "Items whose message was refused and waits for a person.");
        describe_counter!(SENT, "Messages that were taken.");
        describe_counter!(REFUSED, "Messages that were refused.");
        describe_gauge!(DEFERRED, "Orders that could not be taken yet.");
        describe_gauge!(DIFFERENCES, "Differences that a person is asked about.");
        describe_gauge!(CONTACT, "Seconds since the shop last answered.");
        for status in statuses {
            record(status, now);
        }
    });
    recorder.handle().render()
}

fn record(status: &ConnectionStatus, now: Moment) {
    let name = || status.name.clone();
    let count = |number: i64| u64::try_from(number).unwrap_or(0);
    let float = |number: i64| i32::try_from(number).map_or(f64::from(i32::MAX), f64::from);
    gauge!(LAG, "connection" => name()).set(float(lag_seconds(status, now).unwrap_or(0)));
    gauge!(WAITING, "connection" => name()).set(float(status.waiting));
    gauge!(PARKED, "connection" => name()).set(float(status.parked));
    counter!(SENT, "connection" => name()).absolute(count(status.sent));
    counter!(REFUSED, "connection" => name()).absolute(count(status.refused));
    gauge!(DEFERRED, "connection" => name()).set(float(status.orders_deferred));
    gauge!(DIFFERENCES, "connection" => name()).set(float(status.differences));
    if let Some(at) = status.last_contact {
        gauge!(CONTACT, "connection" => name()).set(float((now.millis() - at.millis()).max(0) / 1000));
    }
}
