//! Whether the program lives, whether it can work, and what it counted: for those who watch it.

pub(crate) mod live;
pub(crate) mod metrics;
pub(crate) mod ready;

use crate::caller::Needs;
use crate::routes::Route;

pub(crate) fn routes() -> Vec<Route> {
    vec![
        Route::get("/health/live", Needs::Nobody, live::is_live),
        Route::get("/health/ready", Needs::Nobody, ready::is_ready),
        Route::get("/metrics", Needs::Nobody, metrics::read_metrics),
    ]
}
