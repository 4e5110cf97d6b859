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
        assert_eq!(verdict_of(&guard, "POST", "/sign-in", headers), expected, "{headers:?}");
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
    let mut request = Request::builder().uri("/setup");
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
        let of = [("host", "shop.example"), ("x-forwarded-for", "192.0.2.1"), ("x-forwarded-proto", scheme)];
        let found = visit(near, "127.0.0.1:5", &of);
        assert_eq!(found.is_ok(), expected, "{scheme}");
        if let Err(problem) = found {
            assert!(problem.into_document().detail.contains("open https://shop.example"));
        }
    };
    check("https", true);
    check("http", false);
}
