//! Whether the program lives, whether it can work, and what it counted: for those who watch it.

pub(crate) mod live;
pub(crate) mod metrics;
pub(crate) mod ready;

use crate::routes::Route;

pub(crate) fn routes() -> Vec<Route> {
    vec![
        Route::get("/health/live", live::is_live),
        Route::get("/health/ready", ready::is_ready),
        Route::get("/metrics", metrics::read_metrics),
    ]
}
