//! The headers in which proxies say whom they speak for: `Forwarded` (RFC 7239), and the older
//! `X-Forwarded-For`, which has no standard.

use axum::http::{HeaderMap, HeaderName, header};
use std::net::{IpAddr, Ipv6Addr, SocketAddr};

/// The header that most proxies write (common practice, no standard).
pub(super) const FORWARDED_FOR: HeaderName = HeaderName::from_static("x-forwarded-for");
/// The scheme that the client used (common practice, no standard).
pub(super) const FORWARDED_PROTO: HeaderName = HeaderName::from_static("x-forwarded-proto");
/// Headers that only a proxy writes. `Via` is RFC 9110, 7.6.3; the others are common practice.
const OF_PROXIES: [&str; 4] = ["forwarded", "via", "x-real-ip", "x-client-ip"];
/// The beginning of a proxy's other headers: `X-Forwarded-Host`, `-Proto`, `-Port`, `-Server` and so on.
const PROXY_PREFIX: &str = "x-forwarded-";

/// Somebody on the way of a request, as named by the next proxy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Node {
    Known(IpAddr),
    /// `unknown`, an obfuscated identifier, or not an address.
    Hidden,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Told {
    /// From the client to the last proxy but one.
    pub(super) nodes: Vec<Node>,
    /// The scheme that each of them used.
    pub(super) schemes: Vec<String>,
}

/// Whether a request says that it came through a proxy.
pub(super) fn is_through_proxy(headers: &HeaderMap) -> bool {
    let is_of_proxy =
        |name: &HeaderName| OF_PROXIES.contains(&name.as_str()) || name.as_str().starts_with(PROXY_PREFIX);
    headers.keys().any(is_of_proxy)
}

/// What `X-Forwarded-For` and `X-Forwarded-Proto` say; `None` without the former.
pub(super) fn x_forwarded(headers: &HeaderMap) -> Option<Told> {
    if !headers.contains_key(FORWARDED_FOR) {
        return None;
    }
    let nodes = list(headers, &FORWARDED_FOR).map(|part| part.map_or(Node::Hidden, node)).collect();
    let schemes = list(headers, &FORWARDED_PROTO).flatten().map(str::to_ascii_lowercase).collect();
    Some(Told { nodes, schemes })
}

/// The members of a header that is a list, in order; empty ones are ignored (RFC 9110, 5.6.1). Anything but
/// text is one unreadable member.
fn list<'a>(headers: &'a HeaderMap, name: &HeaderName) -> impl Iterator<Item = Option<&'a str>> {
    headers.get_all(name).iter().flat_map(|line| match line.to_str() {
        Ok(text) => text.split(',').map(str::trim).filter(|part| !part.is_empty()).map(Some).collect(),
        Err(_) => vec![None],
    })
}

/// What `Forwarded` says: `None` without it, an error if it cannot be read.
pub(super) fn forwarded(headers: &HeaderMap) -> Result<Option<Told>, Unreadable> {
    let mut lines = headers.get_all(header::FORWARDED).iter().peekable();
    if lines.peek().is_none() {
        return Ok(None);
    }
    let mut told = Told::default();
    for line in lines {
        let text = line.to_str().map_err(|_| Unreadable)?;
        for element in split(text, ',')? {
            if !element.is_empty() {
                read_element(element, &mut told)?;
            }
        }
    }
    Ok(Some(told))
}

/// The header does not follow RFC 7239.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Unreadable;

/// One element: a parameter comes once (RFC 7239, 4). Without `for` it names nobody.
fn read_element(element: &str, told: &mut Told) -> Result<(), Unreadable> {
    let mut seen: Vec<String> = Vec::new();
    let mut named = Node::Hidden;
    for pair in split(element, ';')? {
        if pair.is_empty() {
            continue;
        }
        let (name, value) = pair.split_once('=').ok_or(Unreadable)?;
        let (name, value) = (name.to_ascii_lowercase(), value_of(value)?);
        if !is_token(&name) || seen.contains(&name) {
            return Err(Unreadable);
        }
        match name.as_str() {
            "for" => named = node(&value),
            "proto" => told.schemes.push(value.to_ascii_lowercase()),
            _ => {}
        }
        seen.push(name);
    }
    told.nodes.push(named);
    Ok(())
}

/// Splits at a mark outside quoted strings.
fn split(text: &str, mark: char) -> Result<Vec<&str>, Unreadable> {
    let (mut parts, mut start) = (Vec::new(), 0);
    let (mut quoted, mut escaped) = (false, false);
    for (at, c) in text.char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' if quoted => escaped = true,
            '"' => quoted = !quoted,
            c if c == mark && !quoted => {
                parts.push(text[start..at].trim());
                start = at + 1;
            }
            _ => {}
        }
    }
    parts.push(text[start..].trim());
    if quoted { Err(Unreadable) } else { Ok(parts) }
}

/// A token or a quoted string (RFC 9110, 5.6.2 and 5.6.4).
fn value_of(text: &str) -> Result<String, Unreadable> {
    let Some(rest) = text.strip_prefix('"') else {
        // Colons and brackets should be quoted (RFC 7239, 4), but we also understand those who forgot.
        let is_value = !text.is_empty() && text.chars().all(|c| is_token_char(c) || ":[]".contains(c));
        return if is_value { Ok(text.to_owned()) } else { Err(Unreadable) };
    };
    let inner = rest.strip_suffix('"').ok_or(Unreadable)?;
    let mut value = String::with_capacity(inner.len());
    let mut chars = inner.chars();
    while let Some(c) = chars.next() {
        match c {
            '\\' => value.push(chars.next().ok_or(Unreadable)?),
            '"' => return Err(Unreadable),
            c => value.push(c),
        }
    }
    Ok(value)
}

fn is_token(text: &str) -> bool {
    !text.is_empty() && text.chars().all(is_token_char)
}

fn is_token_char(c: char) -> bool {
    c.is_ascii_alphanumeric() || "!#$%&'*+-.^_`|~".contains(c)
}

/// An address with or without a port, IPv6 in brackets or bare (RFC 7239, 6, and `X-Forwarded-For` in
/// practice).
fn node(text: &str) -> Node {
    let text = text.trim();
    let bare = || text.parse::<IpAddr>().ok();
    let with_port = || text.parse::<SocketAddr>().ok().map(|address| address.ip());
    let bracketed = || {
        let (address, rest) = text.strip_prefix('[')?.split_once(']')?;
        let is_end = rest.is_empty() || rest.strip_prefix(':').is_some_and(is_port);
        address.parse::<Ipv6Addr>().ok().filter(|_| is_end).map(IpAddr::V6)
    };
    let with_hidden_port = || {
        let (address, port) = text.split_once(':')?;
        address.parse::<IpAddr>().ok().filter(|_| is_port(port))
    };
    let found = bare().or_else(with_port).or_else(bracketed).or_else(with_hidden_port);
    found.map_or(Node::Hidden, |address| Node::Known(address.to_canonical()))
}

/// A port, or an obfuscated one (RFC 7239, 6).
fn is_port(text: &str) -> bool {
    let is_obfuscated = text.strip_prefix('_').is_some_and(|rest| {
        !rest.is_empty() && rest.chars().all(|c| c.is_ascii_alphanumeric() || "._-".contains(c))
    });
    is_obfuscated || (text.bytes().all(|b| b.is_ascii_digit()) && text.parse::<u16>().is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(lines: &[(&'static str, &str)]) -> HeaderMap {
        let mut map = HeaderMap::new();
        for (name, value) in lines {
            map.append(*name, value.parse().expect("a value"));
        }
        map
    }

    fn known(text: &str) -> Node {
        Node::Known(text.parse().expect("an address"))
    }

    // The examples of RFC 7239, 4, 6 and 7.1; addresses of RFC 5737 and RFC 3849.
    #[test]
    fn forwarded_is_read_as_its_standard_has_it() {
        let check = |lines: &[&str], nodes: &[Node], schemes: &[&str]| {
            let lines: Vec<_> = lines.iter().map(|line| ("forwarded", *line)).collect();
            let told = forwarded(&headers(&lines)).expect("readable").expect("said");
            assert_eq!(
                (told.nodes.as_slice(), told.schemes),
                (nodes, schemes.iter().map(|s| (*s).to_owned()).collect()),
                "{lines:?}"
            );
        };
        check(&["for=\"_gazonk\""], &[Node::Hidden], &[]);
        check(&["For=\"[2001:db8:cafe::17]:4711\""], &[known("2001:db8:cafe::17")], &[]);
        check(&["for=192.0.2.60;proto=http;by=203.0.113.43"], &[known("192.0.2.60")], &["http"]);
        check(&["for=192.0.2.43, for=198.51.100.17"], &[known("192.0.2.43"), known("198.51.100.17")], &[]);
        check(
            &["for=192.0.2.43, for=\"[2001:db8:cafe::17]\", for=unknown"],
            &[known("192.0.2.43"), known("2001:db8:cafe::17"), Node::Hidden],
            &[],
        );
        check(
            &["for=192.0.2.43", "for=198.51.100.17;by=203.0.113.60;proto=HTTP;host=example.com"],
            &[known("192.0.2.43"), known("198.51.100.17")],
            &["http"],
        );
        check(&["for=\"192.0.2.43:47011\""], &[known("192.0.2.43")], &[]);
        check(&["for=\"192.0.2.43:_port\""], &[known("192.0.2.43")], &[]);
        check(&["for=\"[2001:db8::1]:_port\""], &[known("2001:db8::1")], &[]);
        check(&["for=\"192.0.2.\\4\\3\""], &[known("192.0.2.43")], &[]);
        check(&["for=\"_a,b;for=203.0.113.1\", proto=https"], &[Node::Hidden, Node::Hidden], &["https"]);
        check(&["proto=https"], &[Node::Hidden], &["https"]);
        check(&["for=192.0.2.43,, ;for=198.51.100.17"], &[known("192.0.2.43"), known("198.51.100.17")], &[]);
        check(&[""], &[], &[]);
        let none = forwarded(&HeaderMap::new());
        assert_eq!(none, Ok(None));
    }

    #[test]
    fn forwarded_that_is_not_its_standards_is_not_guessed_at() {
        let check =
            |line: &str| assert_eq!(forwarded(&headers(&[("forwarded", line)])), Err(Unreadable), "{line}");
        check("192.0.2.43");
        check("for");
        check("for=\"192.0.2.43");
        check("for=192.0.2.43\"");
        check("for=192.0.2.43;for=198.51.100.17");
        check("for=192.0.2.43;FOR=198.51.100.17");
        check("for=192.0.2.43 for=198.51.100.17");
        check("f or=192.0.2.43");
        check("=192.0.2.43");
        check("for=");
        check("for=\"a\"b\"");
        let not_text = {
            let mut map = HeaderMap::new();
            map.append("forwarded", axum::http::HeaderValue::from_bytes(b"for=\xff").expect("a value"));
            map
        };
        assert_eq!(forwarded(&not_text), Err(Unreadable));
    }

    #[test]
    fn addresses_come_with_ports_and_brackets() {
        let check = |text: &str, expected: Node| assert_eq!(node(text), expected, "{text}");
        check("192.0.2.1", known("192.0.2.1"));
        check(" 192.0.2.1 ", known("192.0.2.1"));
        check("192.0.2.1:443", known("192.0.2.1"));
        check("2001:db8::1", known("2001:db8::1"));
        check("[2001:db8::1]", known("2001:db8::1"));
        check("[2001:db8::1]:443", known("2001:db8::1"));
        check("::ffff:192.0.2.1", known("192.0.2.1"));
        check("[::ffff:192.0.2.1]:1", known("192.0.2.1"));
        check("192.0.2.1:", Node::Hidden);
        check("192.0.2.1:99999", Node::Hidden);
        check("192.0.2.1:_", Node::Hidden);
        check("[2001:db8::1", Node::Hidden);
        check("[2001:db8::1]x", Node::Hidden);
        check("[192.0.2.1]", Node::Hidden);
        check("192.0.2.256", Node::Hidden);
        check("192.0.2.1 x", Node::Hidden);
        check("unknown", Node::Hidden);
        check("_hidden", Node::Hidden);
        check("shop.example", Node::Hidden);
        check("", Node::Hidden);
    }

    #[test]
    fn several_lines_are_one_list() {
        let told = x_forwarded(&headers(&[
            ("x-forwarded-for", "192.0.2.1, , 192.0.2.2"),
            ("x-forwarded-for", "nonsense"),
            ("x-forwarded-for", "192.0.2.3:80"),
            ("x-forwarded-proto", "HTTPS"),
        ]))
        .expect("said");
        let nodes = [known("192.0.2.1"), known("192.0.2.2"), Node::Hidden, known("192.0.2.3")];
        assert_eq!((told.nodes.as_slice(), told.schemes), (nodes.as_slice(), vec!["https".to_owned()]));
        assert_eq!(x_forwarded(&headers(&[("x-forwarded-proto", "https")])), None);
    }

    #[test]
    fn a_proxy_betrays_itself_by_any_of_its_headers() {
        let check = |name: &'static str, expected: bool| {
            assert_eq!(is_through_proxy(&headers(&[(name, "x")])), expected, "{name}");
        };
        for name in ["x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-forwarded-port"] {
            check(name, true);
        }
        for name in ["x-forwarded-server", "forwarded", "via", "x-real-ip", "x-client-ip"] {
            check(name, true);
        }
        check("user-agent", false);
        check("x-request-id", false);
        assert!(!is_through_proxy(&HeaderMap::new()));
    }
}
