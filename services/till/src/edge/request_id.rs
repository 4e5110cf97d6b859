//! Names each request, so that its answer, its log lines and what a person reports can be matched.

use axum::http::{HeaderMap, HeaderName, HeaderValue};

/// The header that carries it in both directions: common practice, no standard.
pub(crate) const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
/// Longer than any usual form of it, such as a UUID's 36 characters.
const MAX_CHARS: usize = 64;

/// The caller's own id for the request if it is safe to log as it is, or else a new one.
pub(crate) fn of(headers: &HeaderMap) -> HeaderValue {
    headers.get(REQUEST_ID).filter(|given| is_plain(given)).cloned().unwrap_or_else(make)
}

/// The id as the log shows it.
pub(crate) fn text(id: &HeaderValue) -> &str {
    id.to_str().unwrap_or_default()
}

fn is_plain(given: &HeaderValue) -> bool {
    let bytes = given.as_bytes();
    let is_plain = |byte: &u8| byte.is_ascii_alphanumeric() || b"-_.".contains(byte);
    (1..=MAX_CHARS).contains(&bytes.len()) && bytes.iter().all(is_plain)
}

fn make() -> HeaderValue {
    // Base64url has only characters that a header can carry.
    HeaderValue::try_from(crate::security::random::text())
        .unwrap_or_else(|_| HeaderValue::from_static("none"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plain_one_is_taken_in_and_another_is_made() {
        let check = |given: &str, is_taken: bool| {
            let headers =
                HeaderMap::from_iter([(REQUEST_ID, HeaderValue::from_str(given).expect("a value"))]);
            let id = of(&headers);
            assert_eq!(text(&id) == given, is_taken, "{given}");
            assert!(is_plain(&id), "{id:?}");
        };
        check("7d1f0e3a-52c4-4a6f-9b1e-0c2d3e4f5a6b", true);
        check("till_3.42", true);
        check(&"a".repeat(MAX_CHARS), true);
        check("", false);
        check(&"a".repeat(MAX_CHARS + 1), false);
        check("a b", false);
        check("a\"b", false);
        check("a\tlevel=ERROR", false);
        let none = HeaderMap::new();
        assert_ne!(of(&none), of(&none));
    }
}
