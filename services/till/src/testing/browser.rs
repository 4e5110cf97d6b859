//! A browser: it keeps cookies, follows no redirect by itself, and sends the forms of the pages that it was
//! shown.

use super::{HOST, Reply, TestShop};
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::Request;
use std::collections::BTreeMap;
use std::net::SocketAddr;

/// A browser on some machine, by default the shop's own.
#[derive(Clone)]
pub(crate) struct Browser {
    shop: TestShop,
    cookies: BTreeMap<String, String>,
    /// The form token of the page that was shown last.
    token: String,
    pub(crate) host: &'static str,
    pub(crate) peer: SocketAddr,
    /// Further headers of each request.
    pub(crate) headers: Vec<(&'static str, &'static str)>,
}

impl Browser {
    pub(crate) fn new(shop: &TestShop) -> Self {
        let peer = "127.0.0.1:50000".parse().expect("an address");
        let (cookies, token) = (BTreeMap::new(), String::new());
        Self { shop: shop.as_nobody(), cookies, token, host: HOST, peer, headers: Vec::new() }
    }

    /// A browser on another machine that reaches the site through a proxy.
    pub(crate) fn at_site(shop: &TestShop, host: &'static str) -> Self {
        Self { host, ..Self::new(shop) }
    }

    pub(crate) fn cookie(&self, name: &str) -> Option<&str> {
        self.cookies.get(name).map(String::as_str)
    }

    pub(crate) fn set_cookie(&mut self, name: &str, value: &str) {
        self.cookies.insert(name.to_owned(), value.to_owned());
    }

    pub(crate) fn forget(&mut self, name: &str) {
        self.cookies.remove(name);
    }

    pub(crate) fn token(&self) -> &str {
        &self.token
    }

    pub(crate) async fn get(&mut self, path: &str) -> Reply {
        self.ask("GET", path, None, &[]).await
    }

    /// Sends a form with the token of the page that was shown last.
    pub(crate) async fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Reply {
        let token = self.token.clone();
        self.post_with(path, &token, fields, &[]).await
    }

    pub(crate) async fn post_with(
        &mut self,
        path: &str,
        token: &str,
        fields: &[(&str, &str)],
        headers: &[(&str, &str)],
    ) -> Reply {
        let mut body = form_urlencoded::Serializer::new(String::new());
        body.append_pair("_seal", token).extend_pairs(fields);
        let headers = [headers, &[("content-type", "application/x-www-form-urlencoded")]].concat();
        self.ask("POST", path, Some(body.finish()), &headers).await
    }

    pub(crate) async fn ask(
        &mut self,
        method: &str,
        path: &str,
        body: Option<String>,
        headers: &[(&str, &str)],
    ) -> Reply {
        let mut request = Request::builder().method(method).uri(path).header("host", self.host);
        for (name, value) in headers.iter().chain(&self.headers) {
            request = request.header(*name, *value);
        }
        if !self.cookies.is_empty() {
            let pairs: Vec<String> = self.cookies.iter().map(|(n, v)| format!("{n}={v}")).collect();
            request = request.header("cookie", pairs.join("; "));
        }
        let mut request = request.body(Body::from(body.unwrap_or_default())).expect("a request");
        request.extensions_mut().insert(ConnectInfo(self.peer));
        let reply = self.shop.send(request).await;
        self.keep(&reply);
        reply
    }

    fn keep(&mut self, reply: &Reply) {
        for line in reply.all("set-cookie") {
            let (pair, rest) = line.split_once(';').expect("attributes");
            let (name, value) = pair.split_once('=').expect("a value");
            if rest.contains("Max-Age=0") {
                self.cookies.remove(name);
            } else {
                self.cookies.insert(name.to_owned(), value.to_owned());
            }
        }
        if reply.header("content-type").is_some_and(|kind| kind.starts_with("text/html"))
            && let Some((_, rest)) = reply.text().split_once("name=\"_seal\" value=\"")
        {
            rest.split('"').next().unwrap_or_default().clone_into(&mut self.token);
        }
    }

    /// Signs in with name and password.
    pub(crate) async fn sign_in(&mut self, name: &str, password: &str) -> Reply {
        self.get("/sign-in").await;
        self.post("/sign-in", &[("name", name), ("password", password)]).await
    }
}
