//! The address that a request came from: the peer's, or what one of our proxies says.
//!
//! Anybody can write a proxy's headers. They only count if the peer is in a network from `serve --proxy`, and
//! of the chain only the part that trusted proxies wrote: the client is the rightmost address that is not a
//! trusted proxy's (OWASP ASVS 5.0.0, 4.1.3).

mod forwarded;

use axum::extract::ConnectInfo;
use axum::http::{Extensions, HeaderMap};
use forwarded::{Node, Told, is_through_proxy, x_forwarded};
use ipnet::IpNet;
use std::fmt;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};

/// Homes get /64 networks: whoever has one has 2^64 addresses to try from.
const NETWORK_MASK: u128 = !(u64::MAX as u128);
/// The most proxies of one request; a farm has one or two in a row.
const MAX_HOPS: usize = 10;

/// Where a request came from, for limits and logs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct ClientAddress(IpAddr);

impl ClientAddress {
    /// An IPv4 address in IPv6 form is treated as IPv4.
    pub(crate) fn new(address: IpAddr) -> Self {
        Self(address.to_canonical())
    }

    /// Whether it is this machine's own.
    pub(crate) fn is_loopback(self) -> bool {
        self.0.is_loopback()
    }

    /// What limits count by: the address, or for IPv6 the network of a home.
    pub(crate) fn network(self) -> IpAddr {
        match self.0 {
            IpAddr::V4(_) => self.0,
            IpAddr::V6(address) => Ipv6Addr::from_bits(address.to_bits() & NETWORK_MASK).into(),
        }
    }

    /// The other end of the connection; the unspecified address if it is unknown.
    pub(crate) fn of_peer(extensions: &Extensions) -> Self {
        let peer = extensions.get::<ConnectInfo<SocketAddr>>().map(|ConnectInfo(address)| address.ip());
        Self::new(peer.unwrap_or(Ipv6Addr::UNSPECIFIED.into()))
    }
}

impl fmt::Display for ClientAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// A network of our proxies, as `serve --proxy` reads it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ProxyNet(IpNet);

/// Why a network cannot be trusted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotAProxyNet {
    /// Neither an address nor a network.
    #[error(
        "“{text}” is not a network. Write the address of your proxy, for example 127.0.0.1 or 10.0.0.0/24."
    )]
    Unreadable { text: String },
    /// An address of a network together with its size: one of the two was meant.
    #[error("“{text}” could mean one address or a network. Write {address} or {network}.")]
    HostBits {
        text: String,
        address: IpAddr,
        /// The network that it is in.
        network: IpNet,
    },
    #[error("“{text}” trusts every address there is. Write the address of your proxy alone.")]
    Everybody { text: String },
}

impl std::str::FromStr for ProxyNet {
    type Err = NotAProxyNet;

    fn from_str(given: &str) -> Result<Self, NotAProxyNet> {
        let text: String = given.chars().take(100).collect();
        if let Ok(address) = given.parse::<IpAddr>() {
            return Ok(Self(address.to_canonical().into()));
        }
        let Ok(net) = given.parse::<IpNet>() else { return Err(NotAProxyNet::Unreadable { text }) };
        if net.prefix_len() == 0 {
            return Err(NotAProxyNet::Everybody { text });
        }
        if net.addr() != net.network() {
            return Err(NotAProxyNet::HostBits { text, address: net.addr(), network: net.trunc() });
        }
        Ok(Self(net))
    }
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Proxies(Vec<ProxyNet>);

/// What is suspicious about a request's headers, for whoever runs the shop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Doubt {
    /// A trusted proxy did not say whom it speaks for.
    Silent,
    /// It named nobody: the header does not follow its standard, or hides the address.
    Unreadable,
    /// `Forwarded` and `X-Forwarded-For` name two clients: the proxy wrote one and let the other through.
    Differ,
    /// The headers are there, but the peer is not in `--proxy`.
    Untrusted,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Origin {
    pub(crate) address: ClientAddress,
    /// Whether there was, or may have been, a proxy on the way.
    pub(crate) is_proxied: bool,
    /// Whether it has any header of a proxy.
    pub(crate) has_proxy_headers: bool,
    /// Whether a trusted proxy says that it came without TLS.
    pub(crate) is_plain: bool,
    pub(crate) doubt: Option<Doubt>,
}

impl Proxies {
    pub(crate) fn new(nets: Vec<ProxyNet>) -> Self {
        Self(nets)
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Whether it is one of our proxies.
    pub(crate) fn trust(&self, address: ClientAddress) -> bool {
        self.0.iter().any(|ProxyNet(net)| net.contains(&address.0))
    }

    /// The origin of a request from this peer.
    pub(crate) fn origin(&self, peer: ClientAddress, headers: &HeaderMap) -> Origin {
        let has_proxy_headers = is_through_proxy(headers);
        let direct = Origin {
            address: peer,
            is_proxied: has_proxy_headers,
            has_proxy_headers,
            is_plain: false,
            doubt: has_proxy_headers.then_some(Doubt::Untrusted),
        };
        if !self.trust(peer) {
            return direct;
        }
        let (told, doubt) = told(headers);
        let is_plain = !told.schemes.is_empty() && told.schemes.iter().all(|scheme| scheme == "http");
        let proxied = Origin { is_proxied: true, is_plain, doubt, ..direct };
        match (doubt, self.walk(peer, &told.nodes)) {
            (Some(_), _) => proxied,
            (None, Ok(address)) => Origin { address, ..proxied },
            (None, Err(address)) => Origin { address, doubt: Some(Doubt::Unreadable), ..proxied },
        }
    }

    /// Goes back along the chain as long as trusted proxies wrote it; an error is the last proxy, which named
    /// nobody.
    fn walk(&self, peer: ClientAddress, nodes: &[Node]) -> Result<ClientAddress, ClientAddress> {
        let mut at = peer;
        for node in nodes.iter().rev().take(MAX_HOPS) {
            if !self.trust(at) {
                break;
            }
            match node {
                Node::Known(address) => at = ClientAddress::new(*address),
                Node::Hidden => return Err(at),
            }
        }
        Ok(at)
    }
}

/// What the headers say. A proxy that writes one of the two lets the other through as the client sent it, so
/// two that differ count for nothing.
fn told(headers: &HeaderMap) -> (Told, Option<Doubt>) {
    match (forwarded::forwarded(headers), x_forwarded(headers)) {
        (Ok(None), None) => (Told::default(), Some(Doubt::Silent)),
        (Ok(None), Some(told)) | (Ok(Some(told)), None) if told.nodes.is_empty() => {
            (told, Some(Doubt::Unreadable))
        }
        (Ok(None), Some(told)) | (Ok(Some(told)), None) => (told, None),
        (Ok(Some(one)), Some(other)) if one.nodes == other.nodes => (one, None),
        (Ok(Some(_)), Some(_)) => (Told::default(), Some(Doubt::Differ)),
        (Err(_), _) => (Told::default(), Some(Doubt::Unreadable)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn proxies(nets: &[&str]) -> Proxies {
        Proxies::new(nets.iter().map(|net| net.parse().expect("a network")).collect())
    }

    fn origin(nets: &[&str], peer: &str, lines: &[(&'static str, &str)]) -> Origin {
        let mut headers = HeaderMap::new();
        for (name, value) in lines {
            headers.append(*name, value.parse().expect("a value"));
        }
        proxies(nets).origin(ClientAddress::new(peer.parse().expect("an address")), &headers)
    }

    // Addresses of RFC 5737 and RFC 3849.
    #[test]
    fn the_client_is_the_rightmost_that_no_trusted_proxy_is() {
        let nets = ["127.0.0.1", "10.0.0.0/24", "2001:db8:a::/48"];
        let check = |peer: &str, forwarded_for: &str, expected: &str| {
            let found = origin(&nets, peer, &[("x-forwarded-for", forwarded_for)]);
            assert_eq!(found.address.to_string(), expected, "{peer} {forwarded_for}");
        };
        check("127.0.0.1", "192.0.2.1", "192.0.2.1");
        check("::ffff:127.0.0.1", "192.0.2.1", "192.0.2.1");
        check("127.0.0.1", "203.0.113.9, 192.0.2.1", "192.0.2.1");
        check("127.0.0.1", "192.0.2.1, 10.0.0.7", "192.0.2.1");
        check("127.0.0.1", "203.0.113.9, 192.0.2.1, 10.0.0.7:80, [2001:db8:a::1]:443", "192.0.2.1");
        check("10.0.0.7", "2001:db8::1", "2001:db8::1");
        check("10.0.0.7", "10.0.0.8, 10.0.0.9", "10.0.0.8");
        // What follows an unreadable address was not written by a proxy that we know.
        check("127.0.0.1", "192.0.2.1, nonsense", "127.0.0.1");
        check("127.0.0.1", "192.0.2.1, nonsense, 10.0.0.7", "10.0.0.7");
        check("127.0.0.1", "nonsense, 192.0.2.1", "192.0.2.1");
        // From anybody else the header means nothing.
        check("192.0.2.7", "203.0.113.9", "192.0.2.7");
        check("10.0.1.7", "203.0.113.9", "10.0.1.7");
        check("::1", "203.0.113.9", "::1");
        let long = vec!["10.0.0.7"; 2 * MAX_HOPS].join(", ");
        check("127.0.0.1", &format!("192.0.2.1, {long}"), "10.0.0.7");
    }

    #[test]
    fn two_headers_that_differ_count_for_nothing() {
        let check = |lines: &[(&'static str, &str)], expected: &str, doubt: Option<Doubt>| {
            let found = origin(&["127.0.0.1"], "127.0.0.1", lines);
            assert_eq!((found.address.to_string().as_str(), found.doubt), (expected, doubt), "{lines:?}");
            assert!(found.is_proxied, "{lines:?}");
        };
        let of = |value| ("x-forwarded-for", value);
        let standard = |value| ("forwarded", value);
        check(&[standard("for=192.0.2.1")], "192.0.2.1", None);
        check(&[of("192.0.2.1"), standard("for=192.0.2.1;proto=https")], "192.0.2.1", None);
        check(&[of("192.0.2.1"), standard("for=203.0.113.9")], "127.0.0.1", Some(Doubt::Differ));
        check(&[of("192.0.2.1"), standard("for=")], "127.0.0.1", Some(Doubt::Unreadable));
        check(&[standard("for=_hidden")], "127.0.0.1", Some(Doubt::Unreadable));
        check(&[of("unknown")], "127.0.0.1", Some(Doubt::Unreadable));
        check(&[of("")], "127.0.0.1", Some(Doubt::Unreadable));
        check(&[], "127.0.0.1", Some(Doubt::Silent));
        check(&[("x-forwarded-proto", "https")], "127.0.0.1", Some(Doubt::Silent));
    }

    #[test]
    fn whoever_came_through_a_proxy_is_known() {
        let check = |peer: &str, lines: &[(&'static str, &str)], proxied: bool, doubt: Option<Doubt>| {
            let found = origin(&["10.0.0.1"], peer, lines);
            assert_eq!((found.is_proxied, found.doubt), (proxied, doubt), "{peer} {lines:?}");
        };
        check("127.0.0.1", &[], false, None);
        check("127.0.0.1", &[("x-forwarded-for", "192.0.2.1")], true, Some(Doubt::Untrusted));
        check("127.0.0.1", &[("x-forwarded-host", "shop.example")], true, Some(Doubt::Untrusted));
        check("127.0.0.1", &[("via", "1.1 proxy")], true, Some(Doubt::Untrusted));
        check("10.0.0.1", &[("x-forwarded-for", "127.0.0.1")], true, None);
        check("10.0.0.1", &[], true, Some(Doubt::Silent));
    }

    #[test]
    fn a_proxy_that_was_asked_without_tls_says_so() {
        let check = |lines: &[(&'static str, &str)], expected: bool| {
            let found = origin(&["127.0.0.1"], "127.0.0.1", lines);
            assert_eq!(found.is_plain, expected, "{lines:?}");
        };
        let of = ("x-forwarded-for", "192.0.2.1");
        check(&[of], false);
        check(&[of, ("x-forwarded-proto", "https")], false);
        check(&[of, ("x-forwarded-proto", "http")], true);
        check(&[of, ("x-forwarded-proto", "https, http")], false);
        check(&[("forwarded", "for=192.0.2.1;proto=http")], true);
        check(&[("forwarded", "for=192.0.2.1;proto=https")], false);
        let untrusted = origin(&["10.0.0.1"], "127.0.0.1", &[of, ("x-forwarded-proto", "http")]);
        assert!(!untrusted.is_plain);
    }

    #[test]
    fn a_home_is_one_network() {
        let check = |address: &str, expected: &str| {
            let found = ClientAddress::new(address.parse().expect("an address")).network();
            assert_eq!(found.to_string(), expected, "{address}");
        };
        check("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::");
        check("::ffff:192.0.2.7", "192.0.2.7");
        check("192.0.2.7", "192.0.2.7");
    }

    #[test]
    fn a_proxy_is_written_as_an_address_or_a_network() {
        let check = |text: &str, expected: Result<&str, &str>| {
            let found = text.parse::<ProxyNet>();
            match expected {
                Ok(net) => {
                    assert_eq!(found.map(|ProxyNet(net)| net.to_string()), Ok(net.to_owned()), "{text}");
                }
                Err(words) => {
                    let said = found.expect_err(text).to_string();
                    assert!(said.contains(words), "{text}: {said}");
                }
            }
        };
        check("127.0.0.1", Ok("127.0.0.1/32"));
        check("::1", Ok("::1/128"));
        check("::ffff:10.0.0.1", Ok("10.0.0.1/32"));
        check("10.0.0.0/24", Ok("10.0.0.0/24"));
        check("2001:db8::/32", Ok("2001:db8::/32"));
        check("10.0.0.5/24", Err("Write 10.0.0.5 or 10.0.0.0/24."));
        check("0.0.0.0/0", Err("every address"));
        check("::/0", Err("every address"));
        check("10.0.0.0/33", Err("is not a network"));
        check("proxy.example", Err("is not a network"));
        check("127.0.0.1:80", Err("is not a network"));
        check("", Err("is not a network"));
    }
}
