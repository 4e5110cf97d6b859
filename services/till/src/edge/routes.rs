//! The list of routes: the router is made from it, and a test compares the `OpenAPI` description with it.

use crate::app::App;
use crate::edge::compression;
use crate::edge::edge;
use crate::problem::{Kind, Problem};
use crate::request::route::{Route, RoutePolicies};
use crate::traffic::guard::is_page;
use crate::{api, health, hooks, pages};
use axum::Router;
use axum::http::Uri;
use axum::middleware::from_fn_with_state;
use std::sync::Arc;

/// The state of the edge's layer.
#[derive(Clone)]
pub(crate) struct EdgeState {
    pub(crate) app: App,
    pub(crate) policies: Arc<RoutePolicies>,
}

/// Every route of an application, with or without an adapter for feeds.
pub(crate) fn routes(with_feed_adapter: bool) -> Vec<Route> {
    let mut routes = api::routes(with_feed_adapter);
    routes.extend(health::routes());
    routes.extend(hooks::routes());
    routes.extend(pages::routes());
    routes
}

/// The pages and the API. Answers only requests for the host names and the port that `app` knows.
pub fn router(app: App) -> Router {
    let mut router = Router::new();
    let mut policies = RoutePolicies::default();
    for route in routes(app.feed_adapter.is_some()) {
        policies.add(&route);
        router = router.route(route.path, route.handler);
    }
    let state = EdgeState { app: app.clone(), policies: Arc::new(policies) };
    router
        .fallback(nothing_here)
        .method_not_allowed_fallback(no_such_method)
        .layer(from_fn_with_state(state, edge))
        .layer(compression::layer())
        .with_state(app)
}

async fn nothing_here(uri: Uri) -> Problem {
    let words = if is_page(uri.path()) {
        "there is no page at this address; choose one from the menu"
    } else {
        "there is nothing at this address; /api/openapi.json says what there is"
    };
    Problem::new(Kind::NotFound, words)
}

async fn no_such_method() -> Problem {
    Problem::new(Kind::MethodNotAllowed, "use another method here; /api/openapi.json lists them")
}
