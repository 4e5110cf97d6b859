//! One route, and who may use it.

use crate::app::App;
use crate::request::caller::Access;
use axum::handler::Handler;
use axum::http::Method;
use axum::routing::{MethodFilter, MethodRouter, on};
use std::collections::HashMap;

/// One route, and who may use it.
pub(crate) struct Route {
    pub(crate) method: Method,
    pub(crate) path: &'static str,
    pub(crate) access: Access,
    pub(crate) handler: MethodRouter<App>,
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

/// Who may use each route: the edge checks here, so that no handler has to.
#[derive(Debug, Default)]
pub(crate) struct RoutePolicies(HashMap<&'static str, Vec<(Method, Access)>>);

impl RoutePolicies {
    pub(crate) fn add(&mut self, route: &Route) {
        self.0.entry(route.path).or_default().push((route.method.clone(), route.access));
    }

    /// Who may use a route with a method; HEAD is treated as GET.
    pub(crate) fn of(&self, path: &str, method: &Method) -> Option<Access> {
        let method = if *method == Method::HEAD { &Method::GET } else { method };
        self.0.get(path)?.iter().find(|(m, _)| m == method).map(|(_, access)| *access)
    }
}
