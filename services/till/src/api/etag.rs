//! Entity tags: the revision, in quotes.

use crate::problem::{Kind, Problem};
use axum::http::{HeaderMap, HeaderName, header};

/// The most tags in one header; a program knows one or two versions of a thing.
const MAX_TAGS: usize = 32;

pub(crate) fn of_revision(revision: i64) -> String {
    format!("\"{revision}\"")
}

/// A conditional header (RFC 9110, 13.1).
#[derive(Debug, PartialEq, Eq)]
enum Tags {
    /// `*`: any version.
    Any,
    /// These tags, each with whether it is weak.
    These(Vec<(bool, String)>),
}

/// Whether If-None-Match has the revision, by weak comparison.
pub(crate) fn is_known(headers: &HeaderMap, revision: i64) -> Result<bool, Problem> {
    let own = revision.to_string();
    Ok(match read(headers, &header::IF_NONE_MATCH)? {
        None => false,
        Some(Tags::Any) => true,
        Some(Tags::These(tags)) => tags.iter().any(|(_, tag)| *tag == own),
    })
}

/// What an edit is based on, from If-Match.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Basis {
    Any,
    /// One of these revisions. Weak tags never match, nor do tags that are not revisions.
    OneOf(Vec<i64>),
}

/// What an edit is based on; an edit that does not say so is rejected.
pub(crate) fn basis(headers: &HeaderMap) -> Result<Basis, Problem> {
    let words = "say which version the edit is based on: send If-Match with the ETag that was read";
    match read(headers, &header::IF_MATCH)? {
        None => Err(Problem::new(Kind::PreconditionRequired, words)),
        Some(Tags::Any) => Ok(Basis::Any),
        Some(Tags::These(tags)) => {
            let strong = tags.into_iter().filter(|(weak, _)| !weak);
            // Compared as text, so that "01" is not "1".
            let revision = |(_, tag): (bool, String)| tag.parse().ok().filter(|r: &i64| r.to_string() == tag);
            Ok(Basis::OneOf(strong.filter_map(revision).collect()))
        }
    }
}

fn read(headers: &HeaderMap, name: &HeaderName) -> Result<Option<Tags>, Problem> {
    let wrong = || Problem::new(Kind::Malformed, format!("{name} must be * or tags in double quotes"));
    let mut tags = Vec::new();
    let mut any = false;
    for value in headers.get_all(name) {
        let text = value.to_str().map_err(|_| wrong())?;
        // Our tags are numbers; one with a comma in it is not ours and counts as malformed.
        for part in text.split(',').map(str::trim).filter(|p| !p.is_empty()) {
            if part == "*" {
                any = true;
                continue;
            }
            let (weak, quoted) = part.strip_prefix("W/").map_or((false, part), |rest| (true, rest));
            let inner = quoted.strip_prefix('"').and_then(|t| t.strip_suffix('"'));
            let inner = inner.filter(|t| !t.contains('"')).ok_or_else(wrong)?;
            tags.push((weak, inner.to_owned()));
        }
    }
    match (any, tags.is_empty()) {
        (true, false) => Err(wrong()),
        _ if tags.len() > MAX_TAGS => Err(wrong()),
        (true, true) => Ok(Some(Tags::Any)),
        (false, true) if headers.contains_key(name) => Err(wrong()),
        (false, true) => Ok(None),
        (false, false) => Ok(Some(Tags::These(tags))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    #[test]
    fn an_edit_compares_strongly() {
        let check = |text: &str, expected: Result<Basis, Kind>| {
            let mut headers = HeaderMap::new();
            headers.insert(header::IF_MATCH, HeaderValue::from_str(text).expect("a value"));
            assert_eq!(basis(&headers).map_err(|p| p.kind()), expected, "{text}");
        };
        check("*", Ok(Basis::Any));
        check("\"7\"", Ok(Basis::OneOf(vec![7])));
        check("\"7\",\"9\"", Ok(Basis::OneOf(vec![7, 9])));
        check("W/\"7\"", Ok(Basis::OneOf(vec![])));
        check("W/\"7\", \"8\"", Ok(Basis::OneOf(vec![8])));
        check("\"07\"", Ok(Basis::OneOf(vec![])));
        check("\"abc\"", Ok(Basis::OneOf(vec![])));
        check("\"+7\"", Ok(Basis::OneOf(vec![])));
        check("*, \"7\"", Err(Kind::Malformed));
        check("7", Err(Kind::Malformed));
        check("\"7", Err(Kind::Malformed));
        check("", Err(Kind::Malformed));
        check(",", Err(Kind::Malformed));
        check(&vec!["\"1\""; 33].join(","), Err(Kind::Malformed));
        assert_eq!(basis(&HeaderMap::new()).map_err(|p| p.kind()), Err(Kind::PreconditionRequired));
    }

    // The table in RFC 9110, 8.8.3.2: two tags, equal strongly, equal weakly. Here the second is always the
    // strong tag of revision 1, as this server sends it.
    #[test]
    fn comparison_is_as_in_the_table() {
        let check = |text: &str, strong: bool, weak: bool| {
            let mut headers = HeaderMap::new();
            let value = HeaderValue::from_str(text).expect("a value");
            headers.insert(header::IF_MATCH, value.clone());
            headers.insert(header::IF_NONE_MATCH, value);
            assert_eq!(
                basis(&headers).ok(),
                Some(Basis::OneOf(if strong { vec![1] } else { vec![] })),
                "{text}"
            );
            assert_eq!(is_known(&headers, 1).ok(), Some(weak), "{text}");
        };
        check("W/\"1\"", false, true);
        check("W/\"x2\"", false, false);
        check("\"1\"", true, true);
    }
}
