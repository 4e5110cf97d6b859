//! Metrics for Prometheus.
//!
//! The recorder belongs to the application and not the process, so that two applications in one process (as in
//! the tests) do not mix their counts.

pub(crate) mod connections;

use metrics::{counter, describe_counter, describe_histogram, histogram, with_local_recorder};
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle, PrometheusRecorder};
use std::fmt;
use std::time::Duration;

/// Upper bounds of the latency buckets in seconds. A sale on a good disk takes a few milliseconds; one that
/// waits behind a bulk write takes up to the 5 s after which it is told to come again.
const LATENCY_SECONDS: [f64; 12] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0];

const REQUESTS: &str = "fleecefold_http_requests_total";
const LATENCY: &str = "fleecefold_http_request_seconds";
const SALES: &str = "fleecefold_sales_total";
const REFUSALS: &str = "fleecefold_problems_total";
const SWEPT: &str = "fleecefold_holds_swept_total";

pub(crate) struct Meters {
    recorder: PrometheusRecorder,
    handle: PrometheusHandle,
}

impl fmt::Debug for Meters {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Meters").finish_non_exhaustive()
    }
}

impl Meters {
    pub(crate) fn new() -> Self {
        // The only error is an empty list of buckets; then the builder's own would do.
        let builder = PrometheusBuilder::new().set_buckets(&LATENCY_SECONDS);
        let recorder = builder.unwrap_or_else(|_| PrometheusBuilder::new()).build_recorder();
        with_local_recorder(&recorder, || {
            describe_counter!(REQUESTS, "Requests answered, by route, method and status.");
            describe_histogram!(LATENCY, "Seconds from a request to its answer, by route and method.");
            describe_counter!(SALES, "Sales rung up over the API; replays are not counted.");
            describe_counter!(REFUSALS, "Problem documents answered, by type.");
            describe_counter!(
                SWEPT,
                "Held lines that went back to the free stock because their time was over."
            );
            counter!(SALES).increment(0);
            counter!(SWEPT).increment(0);
        });
        let handle = recorder.handle();
        Self { recorder, handle }
    }

    pub(crate) fn request(&self, route: &str, method: &'static str, status: u16, took: Duration) {
        let (status, route) = (status.to_string(), route.to_owned());
        with_local_recorder(&self.recorder, || {
            counter!(REQUESTS, "route" => route.clone(), "method" => method, "status" => status).increment(1);
            histogram!(LATENCY, "route" => route, "method" => method).record(took.as_secs_f64());
        });
    }

    pub(crate) fn sale(&self) {
        with_local_recorder(&self.recorder, || counter!(SALES).increment(1));
    }

    pub(crate) fn problem(&self, kind: &'static str) {
        with_local_recorder(&self.recorder, || counter!(REFUSALS, "type" => kind).increment(1));
    }

    pub(crate) fn swept(&self, lines: usize) {
        let lines = u64::try_from(lines).unwrap_or(u64::MAX);
        with_local_recorder(&self.recorder, || counter!(SWEPT).increment(lines));
    }

    pub(crate) fn render(&self) -> String {
        self.handle.render()
    }

    /// Moves latencies into their buckets; otherwise they pile up until somebody reads them.
    pub(crate) fn tidy(&self) {
        self.handle.run_upkeep();
    }
}
