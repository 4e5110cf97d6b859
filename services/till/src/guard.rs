//! Who may speak to an API that asks for no token: programs and pages of this very address.
//!
//! A page from elsewhere can make a browser send requests here. What it cannot forge is the Origin,
//! nor, once its name was bound to 127.0.0.1 (DNS rebinding), the Host that it was loaded from.

use crate::problem::{Kind, Problem};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderName, Uri, header};

/// The names of this machine to itself.
const LOOPBACK_NAMES: [&str; 3] = ["localhost", "127.0.0.1", "[::1]"];
/// The port that http leaves out.
const DEFAULT_PORT: u16 = 80;
const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// Knows the addresses that are this server's own.
#[derive(Debug)]
pub(crate) struct Guard {
    hosts: Vec<String>,
}

impl Guard {
    pub(crate) fn new(port: u16) -> Self {
        let mut hosts: Vec<String> = LOOPBACK_NAMES.iter().map(|name| format!("{name}:{port}")).collect();
        if port == DEFAULT_PORT {
            hosts.extend(LOOPBACK_NAMES.map(str::to_owned));
        }
        Self { hosts }
    }

    /// Refuses a request that was not meant for this address, or comes from a foreign page.
    pub(crate) fn check(&self, request: &Request) -> Result<(), Problem> {
        let headers = request.headers();
        self.check_host(headers, request.uri())?;
        self.check_origin(headers)?;
        match one(headers, &FETCH_SITE) {
            Ok(None | Some("same-origin" | "none")) => Ok(()),
            _ => Err(foreign("the request was made by a page of another site")),
        }
    }

    fn check_host(&self, headers: &HeaderMap, uri: &Uri) -> Result<(), Problem> {
        let named = match one(headers, &header::HOST) {
            Ok(Some(host)) => self.is_own(host),
            _ => false,
        };
        let addressed = uri.authority().is_none_or(|a| self.is_own(a.as_str()));
        if named && addressed {
            return Ok(());
        }
        Err(foreign(
            "the Host header does not name this server; use the address that it printed at its start",
        ))
    }

    fn check_origin(&self, headers: &HeaderMap) -> Result<(), Problem> {
        let own = match one(headers, &header::ORIGIN) {
            Ok(None) => true,
            Ok(Some(origin)) => origin.strip_prefix("http://").is_some_and(|host| self.is_own(host)),
            Err(()) => false,
        };
        if own { Ok(()) } else { Err(foreign("the Origin header names a page of another site")) }
    }

    fn is_own(&self, host: &str) -> bool {
        self.hosts.iter().any(|own| own.eq_ignore_ascii_case(host))
    }
}

/// The value of a header that stands at most once, as text.
fn one<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, ()> {
    let mut values = headers.get_all(name).iter();
    match (values.next(), values.next()) {
        (None, _) => Ok(None),
        (Some(value), None) => value.to_str().map(Some).map_err(|_| ()),
        (Some(_), Some(_)) => Err(()),
    }
}

fn foreign(why: &str) -> Problem {
    Problem::new(Kind::ForeignOrigin, format!("{why}; until there are tokens, only this machine is served"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::body::Body;

    fn verdict(port: u16, uri: &str, headers: &[(&str, &str)]) -> bool {
        let mut request = Request::builder().uri(uri);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let request = request.body(Body::empty()).expect("a request");
        Guard::new(port).check(&request).is_ok()
    }

    #[test]
    fn only_this_address_may_be_named() {
        let check = |port: u16, host: &str, expected: bool| {
            assert_eq!(verdict(port, "/api/shop", &[("host", host)]), expected, "{host} at {port}");
        };
        check(8080, "localhost:8080", true);
        check(8080, "LOCALHOST:8080", true);
        check(8080, "127.0.0.1:8080", true);
        check(8080, "[::1]:8080", true);
        check(8080, "localhost", false);
        check(8080, "localhost:8081", false);
        check(8080, "localhost.:8080", false);
        check(8080, "127.0.0.2:8080", false);
        check(8080, "shop.example:8080", false);
        check(8080, "localhost:8080.example", false);
        check(8080, "localhost:8080@evil.example", false);
        check(8080, "", false);
        check(80, "localhost", true);
        check(80, "localhost:80", true);
    }

    #[test]
    fn a_host_stands_once_and_agrees_with_the_target() {
        let check = |uri: &str, headers: &[(&str, &str)], expected: bool| {
            assert_eq!(verdict(8080, uri, headers), expected, "{uri} {headers:?}");
        };
        let own = ("host", "localhost:8080");
        check("/", &[], false);
        check("/", &[own, own], false);
        check("/", &[own, ("host", "evil.example")], false);
        check("http://localhost:8080/", &[own], true);
        check("http://evil.example/", &[own], false);
    }

    #[test]
    fn a_foreign_page_is_refused() {
        let check = |name: &str, value: &str, expected: bool| {
            let headers = [("host", "localhost:8080"), (name, value)];
            assert_eq!(verdict(8080, "/", &headers), expected, "{name}: {value}");
        };
        check("origin", "http://localhost:8080", true);
        check("origin", "http://127.0.0.1:8080", true);
        check("origin", "http://localhost:3000", false);
        check("origin", "https://localhost:8080", false);
        check("origin", "http://evil.example", false);
        check("origin", "null", false);
        check("origin", "", false);
        check("sec-fetch-site", "same-origin", true);
        check("sec-fetch-site", "none", true);
        check("sec-fetch-site", "same-site", false);
        check("sec-fetch-site", "cross-site", false);
    }
}
