//! Which requests were meant for this server, by its own names: those of this machine to itself, and
//! the site that it was told to be.
//!
//! A page from elsewhere can make a browser send requests here, with the cookies that the browser
//! holds for us. What it cannot forge is the Origin, nor, once its name was bound to 127.0.0.1 (DNS
//! rebinding), the Host that it was loaded from. A link from elsewhere may lead to a page; nothing
//! from elsewhere may change anything.

use crate::client_address::{ClientAddress, Doubt, Origin, Proxies};
use crate::problem::{Kind, Problem};
use crate::routes::is_page;
use crate::visit::Visit;
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderName, Method, Uri, Version, header};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The names of this machine to itself.
const LOOPBACK_NAMES: [&str; 3] = ["localhost", "127.0.0.1", "[::1]"];
/// The port that http leaves out.
const HTTP_PORT: u16 = 80;
/// The port that https leaves out.
const HTTPS_PORT: u16 = 443;
/// How the browser says which page made it ask (W3C Fetch Metadata).
pub(crate) const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");
const FETCH_MODE: HeaderName = HeaderName::from_static("sec-fetch-mode");

/// By which name a request came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Via {
    /// A loopback name: a browser or program on this machine.
    Machine,
    /// The site's own name, over https.
    Site,
}

/// The public name of a shop that others than this machine reach, through a proxy that speaks TLS.
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

/// Knows the addresses that are this server's own.
#[derive(Clone, Debug)]
pub(crate) struct Guard {
    hosts: Vec<String>,
    site: Option<Site>,
    proxies: Proxies,
    warned: Arc<Warned>,
}

/// What was said in the log: once, as each request would say it again.
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

    /// Answers to the site's name too.
    pub(crate) fn with_site(self, site: Option<Site>) -> Self {
        Self { site, ..self }
    }

    /// Believes these proxies whom they speak for.
    pub(crate) fn with_proxies(self, proxies: Proxies) -> Self {
        Self { proxies, ..self }
    }

    pub(crate) fn site(&self) -> Option<&Site> {
        self.site.as_ref()
    }

    pub(crate) fn proxies(&self) -> &Proxies {
        &self.proxies
    }

    /// Refuses a request that was not meant for this address, or that a foreign page makes a browser
    /// send; says how it came.
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

    /// Refuses what came another way than its Host says.
    fn check_way(&self, via: Via, peer: ClientAddress, origin: &Origin) -> Result<(), Problem> {
        match via {
            // Whoever runs no proxy is told by this that there is one after all.
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

    /// Whether it is surely from this machine. Where the shop is a site and no proxy is named, the proxy may be
    /// anything on this machine; a proxy of common make speaks HTTP/1.0, which no browser and no watcher does.
    fn is_here(&self, via: Via, peer: ClientAddress, origin: &Origin, version: Version) -> bool {
        let may_be_proxy = self.site.is_some() && self.proxies.is_empty();
        via == Via::Machine
            && peer.is_loopback()
            && !origin.is_proxied
            && !may_be_proxy
            && version >= Version::HTTP_11
    }

    /// Says once what the requests of the site's proxy lack.
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

/// A person who follows a link from elsewhere: a page is asked for, and nothing changes.
fn is_followed_link(request: &Request) -> bool {
    matches!(*request.method(), Method::GET | Method::HEAD)
        && is_page(request.uri().path())
        && one(request.headers(), &FETCH_MODE) == Ok(Some("navigate"))
}

/// The value of a header that stands at most once, as text.
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

#[cfg(test)]
mod tests {
    use super::*;
    use axum::body::Body;
    use axum::extract::ConnectInfo;
    use std::net::{Ipv4Addr, SocketAddr};

    fn verdict_of(guard: &Guard, method: &str, uri: &str, headers: &[(&str, &str)]) -> Option<Via> {
        let mut request = Request::builder().method(method).uri(uri);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let mut request = request.body(Body::empty()).expect("a request");
        request.extensions_mut().insert(ConnectInfo(SocketAddr::from((Ipv4Addr::LOCALHOST, 5))));
        guard.check(&request).ok().map(|visit| visit.via)
    }

    fn verdict(port: u16, uri: &str, headers: &[(&str, &str)]) -> bool {
        verdict_of(&Guard::new(port), "GET", uri, headers).is_some()
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
        check("sec-fetch-site", "elsewhere", false);
    }

    #[test]
    fn a_link_from_elsewhere_leads_to_a_page_and_changes_nothing() {
        let check = |method: &str, uri: &str, mode: &str, expected: bool| {
            let site = ("sec-fetch-site", "cross-site");
            let headers = [("host", "localhost:8080"), site, ("sec-fetch-mode", mode)];
            let found = verdict_of(&Guard::new(8080), method, uri, &headers).is_some();
            assert_eq!(found, expected, "{method} {uri} {mode}");
        };
        check("GET", "/shelf", "navigate", true);
        check("HEAD", "/shelf", "navigate", true);
        check("GET", "/shelf", "no-cors", false);
        check("GET", "/shelf", "cors", false);
        check("GET", "/api/items", "navigate", false);
        check("POST", "/counter", "navigate", false);
        check("DELETE", "/counter", "navigate", false);
    }

    #[test]
    fn a_site_is_reached_by_its_name_over_https() {
        let site: Site = "https://Shop.example".parse().expect("a site");
        assert_eq!(site.to_string(), "https://shop.example");
        let guard = Guard::new(8080).with_site(Some(site));
        let check = |headers: &[(&str, &str)], expected: Option<Via>| {
            assert_eq!(verdict_of(&guard, "POST", "/enter", headers), expected, "{headers:?}");
        };
        check(&[("host", "shop.example")], Some(Via::Site));
        check(&[("host", "SHOP.example:443")], Some(Via::Site));
        check(&[("host", "shop.example:8080")], None);
        check(&[("host", "www.shop.example")], None);
        check(&[("host", "localhost:8080")], Some(Via::Machine));
        check(&[("host", "shop.example"), ("origin", "https://shop.example")], Some(Via::Site));
        check(&[("host", "shop.example"), ("origin", "http://shop.example")], None);
        check(&[("host", "shop.example"), ("origin", "https://evil.example")], None);
        check(&[("host", "shop.example"), ("sec-fetch-site", "cross-site")], None);
    }

    #[test]
    fn a_site_is_written_as_an_https_address() {
        let check = |text: &str, expected: Option<&str>| {
            let found = text.parse::<Site>().ok().map(|site| site.to_string());
            assert_eq!(found.as_deref(), expected, "{text}");
        };
        check("https://shop.example", Some("https://shop.example"));
        check("https://shop.example/", Some("https://shop.example"));
        check("https://shop.example:443", Some("https://shop.example"));
        check("https://shop.example:8443", Some("https://shop.example:8443"));
        check("http://shop.example", None);
        check("shop.example", None);
        check("https://shop.example/till", None);
        check("https://shop.example/?a", None);
        check("https://a@shop.example", None);
        check("https://", None);
        check("", None);
    }

    #[test]
    fn another_machine_cannot_pass_for_this_one() {
        let check = |peer: &str, host: &str, expected: bool| {
            let mut request =
                Request::builder().uri("/").header("host", host).body(Body::empty()).expect("a request");
            let peer: SocketAddr = peer.parse().expect("an address");
            request.extensions_mut().insert(ConnectInfo(peer));
            let site = "https://shop.example".parse().ok();
            let found = Guard::new(8080).with_site(site).check(&request).is_ok();
            assert_eq!(found, expected, "{peer} {host}");
        };
        check("127.0.0.1:5000", "localhost:8080", true);
        check("[::1]:5000", "localhost:8080", true);
        check("[::ffff:127.0.0.1]:5000", "localhost:8080", true);
        check("192.0.2.7:5000", "localhost:8080", false);
        check("192.0.2.7:5000", "shop.example", true);
        check("127.0.0.1:5000", "shop.example", true);
    }

    /// How a request comes: its guard's site and proxies, its peer, its version, its headers.
    fn visit(
        (site, proxies): (Option<&str>, &[&str]),
        peer: &str,
        headers: &[(&str, &str)],
    ) -> Result<Visit, Problem> {
        let nets = proxies.iter().map(|net| net.parse().expect("a network")).collect();
        let site = site.map(|site| site.parse().expect("a site"));
        let guard = Guard::new(8080).with_site(site).with_proxies(Proxies::new(nets));
        let mut request = Request::builder().uri("/begin");
        for (name, value) in headers {
            request = match *name {
                "version" => request.version(Version::HTTP_10),
                name => request.header(name, *value),
            };
        }
        let mut request = request.body(Body::empty()).expect("a request");
        let peer: SocketAddr = peer.parse().expect("an address");
        request.extensions_mut().insert(ConnectInfo(peer));
        guard.check(&request)
    }

    // Whoever came through a proxy may be anybody in the world.
    #[test]
    fn what_came_through_a_proxy_is_not_this_machine() {
        const OWN: (&str, &str) = ("host", "localhost:8080");
        const SITE: (&str, &str) = ("host", "shop.example");
        const FOR: (&str, &str) = ("x-forwarded-for", "192.0.2.1");
        let check = |guard: (Option<&str>, &[&str]), headers: &[(&str, &str)], expected: Option<bool>| {
            for peer in ["127.0.0.1:5000", "[::ffff:127.0.0.1]:5000"] {
                let found = visit(guard, peer, headers).ok().map(|visit| visit.is_here);
                assert_eq!(found, expected, "{guard:?} {peer} {headers:?}");
            }
        };
        let alone = (None, [].as_slice());
        let site = Some("https://shop.example");
        let near = (site, ["127.0.0.1"].as_slice());
        let far = (site, ["10.0.0.1"].as_slice());
        check(alone, &[OWN], Some(true));
        check(far, &[OWN], Some(true));
        check(near, &[OWN], Some(false));
        check((site, &[]), &[OWN], Some(false));
        check((None, &["127.0.0.0/8"]), &[OWN], Some(false));
        for guard in [alone, near, far, (site, [].as_slice())] {
            for header in
                ["x-forwarded-for", "forwarded", "x-forwarded-host", "x-forwarded-proto", "via", "x-real-ip"]
            {
                check(guard, &[OWN, (header, "127.0.0.1")], None);
            }
        }
        for guard in [near, far, (site, [].as_slice())] {
            check(guard, &[SITE], Some(false));
            check(guard, &[SITE, FOR], Some(false));
        }
        check(alone, &[OWN, ("version", "1.0")], Some(false));
    }

    // OWASP ASVS 5.0.0, 4.1.3: a forwarded address counts only from our own proxy.
    #[test]
    fn an_address_is_the_peers_or_what_our_proxy_says() {
        let check = |proxies: &[&str], peer: &str, host: &str, forwarded: Option<&str>, expected: &str| {
            let mut headers = vec![("host", host)];
            headers.extend(forwarded.map(|forwarded| ("x-forwarded-for", forwarded)));
            let found = visit((Some("https://shop.example"), proxies), peer, &headers).expect(expected);
            assert_eq!(found.address.network().to_string(), expected, "{peer} {host} {forwarded:?}");
        };
        let (here, site) = ("localhost:8080", "shop.example");
        let near = ["127.0.0.1"];
        check(&[], "127.0.0.1:5", here, None, "127.0.0.1");
        check(&near, "127.0.0.1:5", here, None, "127.0.0.1");
        check(&near, "127.0.0.1:5", site, Some("192.0.2.1"), "192.0.2.1");
        check(&near, "127.0.0.1:5", site, Some("203.0.113.9, 192.0.2.1"), "192.0.2.1");
        check(&near, "127.0.0.1:5", site, Some("nonsense"), "127.0.0.1");
        check(&near, "127.0.0.1:5", site, None, "127.0.0.1");
        check(&near, "192.0.2.7:5", site, Some("203.0.113.9"), "192.0.2.7");
        check(&[], "127.0.0.1:5", site, Some("192.0.2.1"), "127.0.0.1");
        check(&near, "[2001:db8:1:2:3:4:5:6]:5", site, None, "2001:db8:1:2::");
        check(&near, "[::ffff:192.0.2.7]:5", site, None, "192.0.2.7");
    }

    #[test]
    fn a_site_is_not_entered_without_tls() {
        let near = (Some("https://shop.example"), ["127.0.0.1"].as_slice());
        let check = |scheme: &str, expected: bool| {
            let of =
                [("host", "shop.example"), ("x-forwarded-for", "192.0.2.1"), ("x-forwarded-proto", scheme)];
            let found = visit(near, "127.0.0.1:5", &of);
            assert_eq!(found.is_ok(), expected, "{scheme}");
            if let Err(problem) = found {
                assert!(problem.into_document().detail.contains("open https://shop.example"));
            }
        };
        check("https", true);
        check("http", false);
    }
}
