//! The list of routes, from which the router is made and with which the description is compared.

use crate::app::App;
use crate::caller::Access;
use crate::edge::edge;
use crate::problem::{Kind, Problem};
use crate::{api, compression, health, hooks, pages};
use axum::Router;
use axum::handler::Handler;
use axum::http::{Method, Uri};
use axum::middleware::from_fn_with_state;
use axum::routing::{MethodFilter, MethodRouter, on};
use std::collections::HashMap;
use std::sync::Arc;

/// One route, and who may take it.
pub(crate) struct Route {
    pub(crate) method: Method,
    pub(crate) path: &'static str,
    pub(crate) access: Access,
    handler: MethodRouter<App>,
}

impl Route {
    fn new<H: Handler<T, App>, T: 'static>(
        (method, filter): (Method, MethodFilter),
        path: &'static str,
        access: Access,
        handler: H,
    ) -> Self {
        Self { method, path, access, handler: on(filter, handler) }
    }

    pub(crate) fn get<H: Handler<T, App>, T: 'static>(
        path: &'static str,
        access: Access,
        handler: H,
    ) -> Self {
        Self::new((Method::GET, MethodFilter::GET), path, access, handler)
    }

    pub(crate) fn post<H: Handler<T, App>, T: 'static>(
        path: &'static str,
        access: Access,
        handler: H,
    ) -> Self {
        Self::new((Method::POST, MethodFilter::POST), path, access, handler)
    }

    pub(crate) fn patch<H: Handler<T, App>, T: 'static>(
        path: &'static str,
        access: Access,
        handler: H,
    ) -> Self {
        Self::new((Method::PATCH, MethodFilter::PATCH), path, access, handler)
    }

    pub(crate) fn delete<H: Handler<T, App>, T: 'static>(
        path: &'static str,
        access: Access,
        handler: H,
    ) -> Self {
        Self::new((Method::DELETE, MethodFilter::DELETE), path, access, handler)
    }
}

/// Who may take each route: the edge looks here, so that no handler has to.
#[derive(Debug, Default)]
pub(crate) struct RoutePolicies(HashMap<&'static str, Vec<(Method, Access)>>);

impl RoutePolicies {
    /// Who may take a route with a method; HEAD is answered as GET is.
    pub(crate) fn of(&self, path: &str, method: &Method) -> Option<Access> {
        let method = if *method == Method::HEAD { &Method::GET } else { method };
        self.0.get(path)?.iter().find(|(m, _)| m == method).map(|(_, access)| *access)
    }
}

/// What the edge's layer works with.
#[derive(Clone)]
pub(crate) struct EdgeState {
    pub(crate) app: App,
    pub(crate) policies: Arc<RoutePolicies>,
}

/// Every route of an application with or without an adapter for feeds.
pub(crate) fn routes(with_feed_adapter: bool) -> Vec<Route> {
    let mut routes = api::routes(with_feed_adapter);
    routes.extend(health::routes());
    routes.extend(hooks::routes());
    routes.extend(pages::routes());
    routes
}

/// The pages and the API. Answers to the names and the port that `app` was told alone.
pub fn router(app: App) -> Router {
    let mut router = Router::new();
    let mut policies = RoutePolicies::default();
    for route in routes(app.feed_adapter.is_some()) {
        policies.0.entry(route.path).or_default().push((route.method, route.access));
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

/// Whether a person's browser asks there, and not a program.
pub(crate) fn is_page(path: &str) -> bool {
    path != "/api"
        && !["/api/", "/health/", "/hooks/", "/metrics", "/assets/"]
            .iter()
            .any(|start| path.starts_with(start))
}

async fn no_such_method() -> Problem {
    Problem::new(Kind::MethodNotAllowed, "use another method here; /api/openapi.json lists them")
}
