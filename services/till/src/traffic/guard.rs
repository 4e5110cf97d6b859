//! Which requests are meant for this server, by its names: those of this machine to itself, and the public
//! site.
//!
//! A page from elsewhere can make a browser send requests here with the cookies that it has for us. What it
//! cannot forge is the Origin or, if its name was bound to 127.0.0.1 (DNS rebinding), the Host from which it
//! was loaded. A link from elsewhere may lead to a page; nothing from elsewhere may change anything.

use crate::problem::{Kind, Problem};
use crate::traffic::client_address::{ClientAddress, Doubt, Origin, Proxies};
use crate::traffic::visit::{Via, Visit};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderName, Method, Uri, Version, header};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

const LOOPBACK_NAMES: [&str; 3] = ["localhost", "127.0.0.1", "[::1]"];
/// The port that http addresses leave out.
const HTTP_PORT: u16 = 80;
/// The port that https addresses leave out.
const HTTPS_PORT: u16 = 443;
/// How a browser says which page made it send the request (W3C Fetch Metadata).
pub(crate) const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");
const FETCH_MODE: HeaderName = HeaderName::from_static("sec-fetch-mode");

/// The public name of a shop that other machines reach, through a proxy that speaks TLS.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Site {
    host: String,
}

/// Not the address of a site.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "“{text}” cannot be the shop's public address; write it as https://shop.example, without a path: passwords \
     are sent there, so it must be https"
)]
pub struct NotASite {
    text: String,
}

impl std::str::FromStr for Site {
    type Err = NotASite;

    fn from_str(text: &str) -> Result<Self, NotASite> {
        let wrong = || NotASite { text: text.chars().take(100).collect() };
        let uri: Uri = text.parse().map_err(|_| wrong())?;
        let authority = uri.authority().filter(|_| uri.scheme_str() == Some("https")).ok_or_else(wrong)?;
        let bare =
            matches!(uri.path(), "" | "/") && uri.query().is_none() && !authority.as_str().contains('@');
        if !bare || authority.host().is_empty() {
            return Err(wrong());
        }
        let host = match authority.port_u16() {
            None | Some(HTTPS_PORT) => authority.host().to_ascii_lowercase(),
            Some(port) => format!("{}:{port}", authority.host().to_ascii_lowercase()),
        };
        Ok(Self { host })
    }
}

impl std::fmt::Display for Site {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "https://{}", self.host)
    }
}

/// Knows this server's own addresses.
#[derive(Clone, Debug)]
pub(crate) struct Guard {
    hosts: Vec<String>,
    site: Option<Site>,
    proxies: Proxies,
    warned: Arc<Warned>,
}

/// What was logged: once, since every request would repeat it.
#[derive(Debug, Default)]
struct Warned {
    silent: AtomicBool,
    unreadable: AtomicBool,
    differ: AtomicBool,
    untrusted: AtomicBool,
    unnamed: AtomicBool,
}

impl Guard {
    pub(crate) fn new(port: u16) -> Self {
        Self { hosts: Self::hosts_at(port), site: None, proxies: Proxies::default(), warned: Arc::default() }
    }

    fn hosts_at(port: u16) -> Vec<String> {
        let mut hosts: Vec<String> = LOOPBACK_NAMES.iter().map(|name| format!("{name}:{port}")).collect();
        if port == HTTP_PORT {
            hosts.extend(LOOPBACK_NAMES.map(str::to_owned));
        }
        hosts
    }

    /// Answers to loopback names at another port.
    pub(crate) fn on_port(self, port: u16) -> Self {
        Self { hosts: Self::hosts_at(port), ..self }
    }

    /// Also answers to the site's name.
    pub(crate) fn with_site(self, site: Option<Site>) -> Self {
        Self { site, ..self }
    }

    /// Trusts these proxies about who is asking.
    pub(crate) fn with_proxies(self, proxies: Proxies) -> Self {
        Self { proxies, ..self }
    }

    pub(crate) fn site(&self) -> Option<&Site> {
        self.site.as_ref()
    }

    pub(crate) fn proxies(&self) -> &Proxies {
        &self.proxies
    }

    /// Rejects a request that was not meant for this address, or that a page from elsewhere makes a browser
    /// send; returns how it came.
    pub(crate) fn check(&self, request: &Request) -> Result<Visit, Problem> {
        let headers = request.headers();
        let via = self.check_host(headers, request.uri())?;
        let peer = ClientAddress::of_peer(request.extensions());
        let origin = self.proxies.origin(peer, headers);
        self.check_way(via, peer, &origin)?;
        self.check_origin(headers)?;
        let address = origin.address;
        let visit = Visit { via, address, is_here: self.is_here(via, peer, &origin, request.version()) };
        match one(headers, &FETCH_SITE) {
            Ok(None | Some("same-origin" | "none")) => Ok(visit),
            Ok(Some("same-site" | "cross-site")) if is_followed_link(request) => Ok(visit),
            _ => Err(foreign("the request comes from a page of another site")),
        }
    }

    /// Rejects a request that came another way than its Host says.
    fn check_way(&self, via: Via, peer: ClientAddress, origin: &Origin) -> Result<(), Problem> {
        match via {
            // This tells whoever runs no proxy that there is one after all.
            Via::Machine if !peer.is_loopback() => Err(foreign(
                "the Host header names the server's own computer, but the request comes from another one",
            )),
            Via::Machine if origin.has_proxy_headers => Err(foreign(
                "the Host header names the server's own machine, and the request came through a proxy; let the proxy \
                 pass the Host header on, and tell the shop's public address by `serve --site`",
            )),
            Via::Machine => Ok(()),
            Via::Site if origin.is_plain => {
                let site = self.site.as_ref().map(Site::to_string).unwrap_or_default();
                Err(foreign(&format!("this shop works over https only; open {site}")))
            }
            Via::Site => {
                self.warn(peer, origin);
                Ok(())
            }
        }
    }

    /// Whether it certainly comes from this machine. If the shop has a site and no proxy is named, the proxy
    /// may be anything on this machine; a common proxy speaks HTTP/1.0, which no browser or monitor does.
    fn is_here(&self, via: Via, peer: ClientAddress, origin: &Origin, version: Version) -> bool {
        let may_be_proxy = self.site.is_some() && self.proxies.is_empty();
        via == Via::Machine
            && peer.is_loopback()
            && !origin.is_proxied
            && !may_be_proxy
            && version >= Version::HTTP_11
    }

    /// Logs once what the requests of the site's proxy lack.
    fn warn(&self, peer: ClientAddress, origin: &Origin) {
        let once = |said: &AtomicBool| !said.swap(true, Ordering::Relaxed);
        let warned = &self.warned;
        match origin.doubt {
            Some(Doubt::Silent) if once(&warned.silent) => tracing::warn!(
                proxy = %peer,
                "THE PROXY DOES NOT SAY WHOM IT SPEAKS FOR: its requests carry neither X-Forwarded-For nor Forwarded, so that \
                 everybody counts as one address and one stranger's wrong passwords make all wait; set the header there"
            ),
            Some(Doubt::Unreadable) if once(&warned.unreadable) => tracing::warn!(
                proxy = %peer,
                "the proxy names no address in X-Forwarded-For or Forwarded; such requests count as its own"
            ),
            Some(Doubt::Differ) if once(&warned.differ) => tracing::warn!(
                proxy = %peer,
                "X-Forwarded-For and Forwarded name different clients, so that neither is believed; let the proxy set \
                 one of them and remove the other"
            ),
            Some(Doubt::Untrusted) if once(&warned.untrusted) => tracing::warn!(
                peer = %peer,
                "A PROXY THAT IS NOT TRUSTED ASKS FOR THE SITE: its X-Forwarded-For is not believed, so that everybody \
                 counts as one address; if the proxy is yours, serve with --proxy {peer}"
            ),
            None if !origin.is_proxied && peer.is_loopback() && once(&warned.unnamed) => tracing::warn!(
                peer = %peer,
                "THE SITE IS ASKED FOR FROM THIS MACHINE WITHOUT A PROXY'S HEADERS: if a proxy stands there, let it set \
                 X-Forwarded-For and serve with --proxy {peer}; until then everybody counts as one address"
            ),
            _ => {}
        }
    }

    fn check_host(&self, headers: &HeaderMap, uri: &Uri) -> Result<Via, Problem> {
        let named = match one(headers, &header::HOST) {
            Ok(Some(host)) => self.name(host),
            _ => None,
        };
        let addressed = uri.authority().is_none_or(|a| self.name(a.as_str()).is_some());
        named.filter(|_| addressed).ok_or_else(|| {
            foreign(
                "the Host header does not name this server; use the address that it printed at its start, or set \
                 its public address with `serve --site`",
            )
        })
    }

    fn check_origin(&self, headers: &HeaderMap) -> Result<(), Problem> {
        let own = match one(headers, &header::ORIGIN) {
            Ok(None) => true,
            Ok(Some(origin)) => match origin.split_once("://") {
                Some(("http", host)) => self.name(host) == Some(Via::Machine),
                Some(("https", host)) => self.name(host) == Some(Via::Site),
                _ => false,
            },
            Err(()) => false,
        };
        if own { Ok(()) } else { Err(foreign("the Origin header names another site")) }
    }

    fn name(&self, host: &str) -> Option<Via> {
        if self.hosts.iter().any(|own| own.eq_ignore_ascii_case(host)) {
            return Some(Via::Machine);
        }
        let site = self.site.as_ref()?;
        let is_site = site.host.eq_ignore_ascii_case(host.strip_suffix(":443").unwrap_or(host));
        is_site.then_some(Via::Site)
    }
}

/// A person who follows a link from elsewhere: a page is requested, and nothing changes.
fn is_followed_link(request: &Request) -> bool {
    matches!(*request.method(), Method::GET | Method::HEAD)
        && is_page(request.uri().path())
        && one(request.headers(), &FETCH_MODE) == Ok(Some("navigate"))
}

/// The value of a header that may come once, as text.
pub(crate) fn one<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, ()> {
    let mut values = headers.get_all(name).iter();
    match (values.next(), values.next()) {
        (None, _) => Ok(None),
        (Some(value), None) => value.to_str().map(Some).map_err(|_| ()),
        (Some(_), Some(_)) => Err(()),
    }
}

fn foreign(why: &str) -> Problem {
    Problem::new(Kind::ForeignOrigin, why)
}

/// Whether a person's browser asks there, and not a program.
pub(crate) fn is_page(path: &str) -> bool {
    path != "/api"
        && !["/api/", "/health/", "/hooks/", "/metrics", "/assets/"]
            .iter()
            .any(|start| path.starts_with(start))
}

#[cfg(test)]
mod tests;
