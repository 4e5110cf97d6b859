//! Whether the program runs and works, and its metrics, for monitoring.

pub(crate) mod live;
pub(crate) mod metrics;
pub(crate) mod ready;

use crate::request::caller::Access;
use crate::request::route::Route;

pub(crate) fn routes() -> Vec<Route> {
    vec![
        Route::get("/health/live", Access::Public, live::is_live),
        Route::get("/health/ready", Access::Public, ready::is_ready),
        Route::get("/metrics", Access::Public, metrics::read_metrics),
    ]
}
