//! The list of routes, from which the router is made and with which the description is compared.

use crate::app::App;
use crate::caller::Needs;
use crate::edge::edge;
use crate::problem::{Kind, Problem};
use crate::{api, health, hooks, pages, smaller};
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
    pub(crate) needs: Needs,
    handler: MethodRouter<App>,
}

impl Route {
    fn new<H: Handler<T, App>, T: 'static>(
        (method, filter): (Method, MethodFilter),
        path: &'static str,
        needs: Needs,
        handler: H,
    ) -> Self {
        Self { method, path, needs, handler: on(filter, handler) }
    }

    pub(crate) fn get<H: Handler<T, App>, T: 'static>(path: &'static str, needs: Needs, handler: H) -> Self {
        Self::new((Method::GET, MethodFilter::GET), path, needs, handler)
    }

    pub(crate) fn post<H: Handler<T, App>, T: 'static>(path: &'static str, needs: Needs, handler: H) -> Self {
        Self::new((Method::POST, MethodFilter::POST), path, needs, handler)
    }

    pub(crate) fn patch<H: Handler<T, App>, T: 'static>(
        path: &'static str,
        needs: Needs,
        handler: H,
    ) -> Self {
        Self::new((Method::PATCH, MethodFilter::PATCH), path, needs, handler)
    }

    pub(crate) fn delete<H: Handler<T, App>, T: 'static>(
        path: &'static str,
        needs: Needs,
        handler: H,
    ) -> Self {
        Self::new((Method::DELETE, MethodFilter::DELETE), path, needs, handler)
    }
}

/// What each route asks of whoever calls it: the edge looks here, so that no handler has to.
#[derive(Debug, Default)]
pub(crate) struct Asked(HashMap<&'static str, Vec<(Method, Needs)>>);

impl Asked {
    /// What a route asks for a method; HEAD is answered as GET is.
    pub(crate) fn of(&self, path: &str, method: &Method) -> Option<Needs> {
        let method = if *method == Method::HEAD { &Method::GET } else { method };
        self.0.get(path)?.iter().find(|(m, _)| m == method).map(|(_, needs)| *needs)
    }
}

/// What the edge works with.
#[derive(Clone)]
pub(crate) struct House {
    pub(crate) app: App,
    pub(crate) asked: Arc<Asked>,
}

/// Every route of an application with or without a desk for feeds.
pub(crate) fn routes(with_desk: bool) -> Vec<Route> {
    let mut routes = api::routes(with_desk);
    routes.extend(health::routes());
    routes.extend(hooks::routes());
    routes.extend(pages::routes());
    routes
}

/// The pages and the API. Answers to the names and the port that `app` was told alone.
pub fn router(app: App) -> Router {
    let mut router = Router::new();
    let mut asked = Asked::default();
    for route in routes(app.desk.is_some()) {
        asked.0.entry(route.path).or_default().push((route.method, route.needs));
        router = router.route(route.path, route.handler);
    }
    let house = House { app: app.clone(), asked: Arc::new(asked) };
    router
        .fallback(nothing_here)
        .method_not_allowed_fallback(no_such_method)
        .layer(from_fn_with_state(house, edge))
        .layer(smaller::layer())
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
