//! Addresses of an online shop: one base, and templates below it.

use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use std::fmt;
use url::Url;

/// The longest template. Many servers refuse addresses from 8,000 bytes on (RFC 9110, 4.1), and what is
/// filled in needs room too.
const MAX_TEMPLATE_BYTES: usize = 2000;
/// The longest address, with everything filled in.
const MAX_ADDRESS_BYTES: usize = 8000;

/// Everything but RFC 3986's unreserved characters is encoded, so that a value never ends a segment or
/// begins another.
const FILLED: &AsciiSet = &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~');

/// A placeholder in a template.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// The item's SKU.
    Sku,
    /// The online shop's own id of the item.
    OtherId,
    /// The revision of the item's stock.
    Revision,
    /// Where the previous page ended.
    Cursor,
    /// The time from which changes are wanted.
    Since,
    /// The number of the page, from 1.
    Page,
    /// The number of an order.
    OrderNumber,
}

impl Place {
    /// Its name in a template, without the braces.
    pub fn code(self) -> &'static str {
        match self {
            Self::Sku => "sku",
            Self::OtherId => "other_id",
            Self::Revision => "revision",
            Self::Cursor => "cursor",
            Self::Since => "since",
            Self::Page => "page",
            Self::OrderNumber => "orderNumber",
        }
    }
}

/// A placeholder and its value.
pub type Filling<'a> = (Place, &'a str);

/// Why a template cannot be filled in.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FillError {
    /// There is no value for a placeholder.
    #[error("the address needs {{{}}}, which is not known here", place.code())]
    Unknown {
        /// The placeholder.
        place: Place,
    },
    /// `.` and `..` lead to another folder, percent-encoded or not (WHATWG URL).
    #[error(
        "“{value}” cannot be part of an address, where it means another folder; give the item another sku"
    )]
    Dots {
        /// The value with the dots.
        value: String,
    },
    /// It would be longer than any shop needs; nothing was sent.
    #[error("the address would be longer than {MAX_ADDRESS_BYTES} bytes")]
    TooLong,
    /// The result is not below the base.
    #[error("“{to}” is not below {base}, and this connection calls nothing else")]
    Elsewhere {
        /// The address that would result.
        to: String,
        /// The base.
        base: String,
    },
}

/// The address below which all others of a connection are.
#[derive(Clone, PartialEq, Eq)]
pub struct Base(Url);

impl fmt::Debug for Base {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Base({})", self.0)
    }
}

impl fmt::Display for Base {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.as_str().trim_end_matches('/'))
    }
}

impl Base {
    /// Reads a base, or says what is wrong with it.
    pub(super) fn parse(text: &str, private: bool) -> Result<Self, &'static str> {
        let url = Url::parse(text).map_err(|_| "this is not an address; write https://shop.example/api")?;
        match url.scheme() {
            "https" => {}
            "http" if private => {}
            "http" => {
                return Err("plain http is only for a shop of your own, with private = true; write https://");
            }
            _ => return Err("an address begins with https://"),
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err("no name or password stands in an address; put it under [secret]");
        }
        if url.query().is_some() || url.fragment().is_some() {
            return Err("a base ends before ? and #; put the rest into the templates");
        }
        if url.host_str().is_none_or(str::is_empty) {
            return Err("the address names no host; write https://shop.example/api");
        }
        Ok(Self(url))
    }

    /// The address as a URL.
    pub fn url(&self) -> &Url {
        &self.0
    }

    /// An address that the online shop gave, such as that of its next page: whole, or relative to
    /// `from`. Refused if it is not below the base.
    pub fn follow(&self, from: &Url, to: &str) -> Result<Url, FillError> {
        let elsewhere = || {
            let to = to.chars().take(200).collect();
            FillError::Elsewhere { to, base: self.to_string() }
        };
        if to.len() > MAX_ADDRESS_BYTES {
            return Err(FillError::TooLong);
        }
        let mut url = from.join(to).map_err(|_| elsewhere())?;
        url.set_fragment(None);
        if self.covers(&url) { Ok(url) } else { Err(elsewhere()) }
    }

    fn covers(&self, url: &Url) -> bool {
        let path = self.0.path().trim_end_matches('/');
        let below =
            url.path().strip_prefix(path).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'));
        url.origin() == self.0.origin() && url.username().is_empty() && url.password().is_none() && below
    }
}

/// A template below the base, split at its placeholders.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Address {
    text: String,
    parts: Vec<Part>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Part {
    Text(String),
    Place(Place),
}

impl Address {
    /// Reads a template with only these placeholders, or says what is wrong with it.
    pub(super) fn parse(text: &str, allowed: &[Place]) -> Result<Self, String> {
        if !text.starts_with('/') || text.starts_with("//") {
            return Err("an address stands below the base and begins with one /".to_owned());
        }
        if text.len() > MAX_TEMPLATE_BYTES {
            return Err(format!("an address has at most {MAX_TEMPLATE_BYTES} bytes"));
        }
        if text.chars().any(|c| c.is_whitespace() || c.is_control() || matches!(c, '#' | '\\')) {
            return Err("an address has no spaces, no # and no backslash".to_owned());
        }
        let path = text.split('?').next().unwrap_or_default();
        if path.split('/').any(|segment| matches!(segment, "." | "..")) {
            return Err("an address has no . or .. between its slashes".to_owned());
        }
        let known = || allowed.iter().map(|p| format!("{{{}}}", p.code())).collect::<Vec<_>>().join(", ");
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(open) = rest.find(['{', '}']) {
            let (before, from) = rest.split_at(open);
            let end = from.find('}').filter(|end| *end > 0);
            let name = end.map(|end| &from[1..end]).unwrap_or_default();
            let Some(place) = allowed.iter().find(|p| p.code() == name) else {
                return Err(format!("only {} may stand in braces here", known()));
            };
            parts.push(Part::Text(before.to_owned()));
            parts.push(Part::Place(*place));
            rest = &from[name.len() + 2..];
        }
        parts.push(Part::Text(rest.to_owned()));
        Ok(Self { text: text.to_owned(), parts })
    }

    /// Whether it has a placeholder.
    pub fn has(&self, place: Place) -> bool {
        self.parts.contains(&Part::Place(place))
    }

    /// The address with its placeholders filled in.
    pub fn fill(&self, base: &Base, fillings: &[Filling<'_>]) -> Result<Url, FillError> {
        let mut text = base.to_string();
        for part in &self.parts {
            match part {
                Part::Text(part) => text.push_str(part),
                Part::Place(place) => {
                    let found = fillings.iter().find(|(at, _)| at == place).map(|(_, value)| *value);
                    let value = found.filter(|v| !v.is_empty() || *place == Place::Cursor);
                    let value = value.ok_or(FillError::Unknown { place: *place })?;
                    if matches!(value, "." | "..") {
                        return Err(FillError::Dots { value: value.to_owned() });
                    }
                    text.extend(utf8_percent_encode(value, FILLED));
                }
            }
        }
        if text.len() > MAX_ADDRESS_BYTES {
            return Err(FillError::TooLong);
        }
        base.follow(base.url(), &text)
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Place; 3] = [Place::Sku, Place::OtherId, Place::Since];

    #[test]
    fn what_is_filled_in_never_leaves_its_place() {
        let base = Base::parse("https://shop.example/api/", false).unwrap();
        let check = |template: &str, value: &str, expected: &str| {
            let address = Address::parse(template, &ALL).unwrap();
            let url = address.fill(&base, &[(Place::Sku, value), (Place::Since, value)]);
            let shown = url.map_or_else(|e| e.to_string(), |u| u.to_string());
            assert!(shown.contains(expected), "{template} {value}: {shown}");
        };
        check("/listings/{sku}", "B1", "https://shop.example/api/listings/B1");
        check("/listings/{sku}", "a/b?c#d", "https://shop.example/api/listings/a%2Fb%3Fc%23d");
        check("/listings/{sku}", "Grün 1", "https://shop.example/api/listings/Gr%C3%BCn%201");
        check("/listings/{sku}/stock", "%2e%2e", "https://shop.example/api/listings/%252e%252e/stock");
        check("/listings/{sku}/stock", "..", "“..” cannot be part of an address");
        check("/listings/{sku}", ".", "“.” cannot be part of an address");
        check("/listings/{sku}", "", "needs {sku}");
        check("/listings/{other_id}", "B1", "needs {other_id}");
        check("/orders?since={since}", "2026-06-15T12:00:00Z", "/api/orders?since=2026-06-15T12%3A00%3A00Z");
        check("/listings/{sku}", &"x".repeat(9000), "longer than 8000 bytes");
    }

    #[test]
    fn a_next_page_is_below_the_base_or_refused() {
        let base = Base::parse("https://shop.example/api", false).unwrap();
        let from = Url::parse("https://shop.example/api/orders?page=1").unwrap();
        let check = |to: &str, expected: Option<&str>| {
            let url = base.follow(&from, to).ok();
            assert_eq!(url.as_ref().map(Url::as_str), expected, "{to}");
        };
        check("?page=2", Some("https://shop.example/api/orders?page=2"));
        check("/api/orders?page=2#x", Some("https://shop.example/api/orders?page=2"));
        check("https://shop.example:443/api/orders", Some("https://shop.example/api/orders"));
        check("/other", None);
        check("/apiary", None);
        check("/api/../other", None);
        check("//elsewhere.example/api/orders", None);
        check("https://elsewhere.example/api/orders", None);
        check("http://shop.example/api/orders", None);
        check("https://shop.example:8443/api/orders", None);
        check("https://a:b@shop.example/api/orders", None);
        check("file:///etc/passwd", None);
        check("https://[", None);
    }
}
