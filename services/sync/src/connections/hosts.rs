//! Which hosts may be reached: those on the internet or, if the owner allows it, one on their own network.
//!
//! This is checked after a name was resolved, so that a name that leads to the own network is noticed too.

use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

/// An address that is not allowed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{host} has the address {address}, which is not a public one; set private = true if it is yours")]
pub struct NotAllowed {
    host: String,
    address: IpAddr,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Where {
    World,
    /// Loopback, private, unique-local and shared provider addresses.
    Home,
    /// Addresses that no shop's host can have.
    Nowhere,
}

/// By IANA's registries of special-purpose addresses (IPv4 and IPv6, RFC 6890 and its successors).
fn place(address: IpAddr) -> Where {
    match address {
        IpAddr::V4(v4) => place_v4(v4),
        IpAddr::V6(v6) => place_v6(v6),
    }
}

fn place_v4(v4: Ipv4Addr) -> Where {
    match v4.octets() {
        [10 | 127, ..] | [192, 168, ..] | [172, 16..=31, ..] | [100, 64..=127, ..] => Where::Home,
        [0 | 224..=255, ..]
        | [169, 254, ..]
        | [192, 0, 0 | 2, _]
        | [192, 88, 99, _]
        | [198, 18..=19, ..]
        | [198, 51, 100, _]
        | [203, 0, 113, _] => Where::Nowhere,
        _ => Where::World,
    }
}

fn place_v6(v6: Ipv6Addr) -> Where {
    if v6 == Ipv6Addr::LOCALHOST {
        return Where::Home;
    }
    let octets = v6.octets();
    let last = || Ipv4Addr::new(octets[12], octets[13], octets[14], octets[15]);
    match v6.segments() {
        // An IPv4 address in another form: mapped, translated (RFC 6052), and 6to4.
        [0, 0, 0, 0, 0, 0xffff, ..] | [0x64, 0xff9b, 0, 0, 0, 0, ..] => place_v4(last()),
        [0x2002, ..] => place_v4(Ipv4Addr::new(octets[2], octets[3], octets[4], octets[5])),
        [0xfc00..=0xfdff, ..] => Where::Home,
        // Documentation, benchmarking, Teredo and ORCHID lie within the public range.
        [0x2001, 0..=0x1ff | 0xdb8, ..] | [0x3fff, 0..=0xfff, ..] => Where::Nowhere,
        [0x2000..=0x3fff, ..] => Where::World,
        _ => Where::Nowhere,
    }
}

fn may_ask(address: IpAddr, private: bool) -> bool {
    match place(address) {
        Where::World => true,
        Where::Home => private,
        Where::Nowhere => false,
    }
}

/// Checks a host that is an address, for which no name is resolved.
pub(super) fn check_literal(url: &reqwest::Url, private: bool) -> Result<(), NotAllowed> {
    let host = url.host_str().unwrap_or_default();
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    match bare.parse::<IpAddr>() {
        Ok(address) if !may_ask(address, private) => Err(NotAllowed { host: host.to_owned(), address }),
        _ => Ok(()),
    }
}

/// Resolves names, and returns only addresses that are allowed.
pub(super) struct Resolver {
    pub(super) private: bool,
}

impl Resolve for Resolver {
    fn resolve(&self, name: Name) -> Resolving {
        let (host, private) = (name.as_str().to_owned(), self.private);
        Box::pin(async move {
            let found: Vec<SocketAddr> = tokio::net::lookup_host((host.as_str(), 0)).await?.collect();
            let allowed = allowed(&host, &found, private)?;
            Ok(Box::new(allowed.into_iter()) as Addrs)
        })
    }
}

fn allowed(host: &str, found: &[SocketAddr], private: bool) -> Result<Vec<SocketAddr>, NotAllowed> {
    let kept: Vec<SocketAddr> = found.iter().copied().filter(|a| may_ask(a.ip(), private)).collect();
    match found.first() {
        Some(refused) if kept.is_empty() => Err(NotAllowed { host: host.to_owned(), address: refused.ip() }),
        _ => Ok(kept),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_address_is_known() {
        let check = |text: &str, expected: Where| {
            assert_eq!(place(text.parse().unwrap()), expected, "{text}");
        };
        // The IANA IPv4 and IPv6 Special-Purpose Address Registries.
        check("93.184.216.34", Where::World);
        check("1.1.1.1", Where::World);
        check("2606:4700:4700::1111", Where::World);
        for home in ["127.0.0.1", "127.9.9.9", "10.0.0.1", "172.16.0.1", "172.31.255.255", "192.168.1.1"] {
            check(home, Where::Home);
            check(&format!("::ffff:{home}"), Where::Home);
            check(&format!("64:ff9b::{home}"), Where::Home);
        }
        check("172.15.0.1", Where::World);
        check("172.32.0.1", Where::World);
        check("100.63.255.255", Where::World);
        check("100.64.0.1", Where::Home);
        check("100.127.255.255", Where::Home);
        check("::1", Where::Home);
        check("fd00::1", Where::Home);
        check("fc00::1", Where::Home);
        check("2002:7f00:1::", Where::Home);
        check("2002:5db8:d822::", Where::World);
        for nowhere in [
            "0.0.0.0",
            "0.1.2.3",
            "169.254.169.254",
            "192.0.0.8",
            "192.0.2.1",
            "198.18.0.1",
            "198.51.100.7",
            "203.0.113.9",
            "224.0.0.1",
            "239.1.1.1",
            "240.0.0.1",
            "255.255.255.255",
            "::",
            "fe80::1",
            "fec0::1",
            "ff02::1",
            "2001:db8::1",
            "2001::1",
            "::ffff:0.0.0.0",
            "::ffff:169.254.169.254",
            "::127.0.0.1",
            "64:ff9b::a9fe:a9fe",
            "100::1",
            "4000::1",
        ] {
            check(nowhere, Where::Nowhere);
        }
    }

    #[test]
    fn a_name_that_leads_home_is_found_out() {
        let check = |found: &[&str], private: bool, expected: Option<usize>| {
            let found: Vec<SocketAddr> =
                found.iter().map(|a| SocketAddr::new(a.parse().unwrap(), 0)).collect();
            let kept = allowed("shop.example", &found, private).ok().map(|k| k.len());
            assert_eq!(kept, expected, "{found:?} {private}");
        };
        check(&["93.184.216.34"], false, Some(1));
        check(&["127.0.0.1"], false, None);
        check(&["127.0.0.1"], true, Some(1));
        check(&["127.0.0.1", "93.184.216.34"], false, Some(1));
        check(&["::1", "127.0.0.1"], false, None);
        check(&["169.254.169.254"], true, None);
        check(&[], false, Some(0));
    }

    #[test]
    fn a_host_written_as_an_address_is_looked_at() {
        let check = |url: &str, private: bool, expected: bool| {
            let url = reqwest::Url::parse(url).unwrap();
            assert_eq!(check_literal(&url, private).is_ok(), expected, "{url} {private}");
        };
        check("https://shop.example/", false, true);
        check("https://93.184.216.34/", false, true);
        check("https://127.0.0.1/", false, false);
        check("http://127.0.0.1:8000/", true, true);
        // By WHATWG's URL standard these mean 127.0.0.1 as well.
        check("https://127.1/", false, false);
        check("https://0x7f000001/", false, false);
        check("https://2130706433/", false, false);
        check("https://[::1]/", false, false);
        check("https://[::ffff:7f00:1]/", false, false);
        check("https://0.0.0.0/", true, false);
    }
}
