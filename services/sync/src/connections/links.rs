//! Headers that say where and when to go on: `Link` (RFC 8288) and `Retry-After`.

use domain::day::Moment;
use std::time::Duration;

/// The target of the first link with `rel="next"`.
pub(super) fn next<'a>(headers: impl Iterator<Item = &'a str>) -> Option<String> {
    headers.flat_map(links).find(|(_, rels)| rels.iter().any(|r| r == "next")).map(|(target, _)| target)
}

/// The links in one header, each with its relations in lowercase.
fn links(header: &str) -> Vec<(String, Vec<String>)> {
    let mut found = Vec::new();
    let mut rest = header;
    while let Some((_, after)) = rest.split_once('<') {
        let Some((target, after)) = after.split_once('>') else { break };
        let (parameters, after) = split_unquoted(after, ',');
        found.push((target.trim().to_owned(), relations(parameters)));
        rest = after;
    }
    found
}

/// Of a parameter that comes twice, the first counts (RFC 8288, 3.3).
fn relations(mut parameters: &str) -> Vec<String> {
    while !parameters.is_empty() {
        let (parameter, after) = split_unquoted(parameters, ';');
        if let Some((name, value)) = parameter.split_once('=')
            && name.trim().eq_ignore_ascii_case("rel")
        {
            let value = value.trim().trim_matches('"').to_ascii_lowercase();
            return value.split_ascii_whitespace().map(str::to_owned).collect();
        }
        parameters = after;
    }
    Vec::new()
}

/// The text before the first `end` outside quotes, and the text after it.
fn split_unquoted(text: &str, end: char) -> (&str, &str) {
    let (mut quoted, mut escaped) = (false, false);
    for (at, c) in text.char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' if quoted => escaped = true,
            '"' => quoted = !quoted,
            c if c == end && !quoted => return (&text[..at], &text[at + c.len_utf8()..]),
            _ => {}
        }
    }
    (text, "")
}

/// How long `Retry-After` asks us to wait: seconds, or an HTTP date. A date is compared with the same answer's
/// `Date` if it has one, so that a wrong clock on either side does not matter.
pub(super) fn retry_after(value: Option<&str>, date: Option<&str>, now: Moment) -> Option<Duration> {
    let value = value?.trim();
    if !value.is_empty() && value.bytes().all(|b| b.is_ascii_digit()) {
        return Some(Duration::from_secs(value.parse().unwrap_or(u64::from(u32::MAX))));
    }
    let until = http_date(value)?;
    let from = date.and_then(http_date).unwrap_or(now.millis());
    Some(Duration::from_millis(u64::try_from(until.saturating_sub(from)).unwrap_or(0)))
}

/// An IMF-fixdate (RFC 9110, 5.6.7) in milliseconds.
pub(super) fn http_date(text: &str) -> Option<i64> {
    jiff::fmt::rfc2822::parse(text).ok().map(|zoned| zoned.timestamp().as_millisecond())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_page_is_found_among_links() {
        let check = |header: &str, expected: Option<&str>| {
            assert_eq!(next([header].into_iter()).as_deref(), expected, "{header}");
        };
        // RFC 8288, 3.5, first and third example, with another relation; the others are our own.
        check("<http://example.com/TheBook/chapter2>; rel=\"previous\"; title=\"previous chapter\"", None);
        check(
            "</a>; rel=\"previous\"; title*=UTF-8'de'letztes%20Kapitel, </b>; rel=\"next\"; title*=UTF-8'de'n%c3%a4chstes%20Kapitel",
            Some("/b"),
        );
        check("<?page=2>; rel=next", Some("?page=2"));
        check("<?page=2>;rel=\"last NEXT\"", Some("?page=2"));
        check("</a,b;c>; rel=\"next\"", Some("/a,b;c"));
        check("</a>; title=\"x, <y>; rel=next\"; rel=\"first\", </b>; rel=\"next\"", Some("/b"));
        check("</a>; rel=first; rel=next", None);
        check("</a>; title=\"a \\\" b\"; rel=next", Some("/a"));
        check("</a>", None);
        check("</a; rel=next", None);
        check("", None);
        assert_eq!(next(["</a>; rel=prev", "</b>; rel=next"].into_iter()).as_deref(), Some("/b"));
    }

    #[test]
    fn a_wait_is_read_as_seconds_or_as_a_date() {
        let now = Moment::parse_rfc3339("1994-11-06T08:49:37Z").unwrap();
        let check = |value: Option<&str>, date: Option<&str>, expected: Option<u64>| {
            let found = retry_after(value, date, now).map(|d| d.as_secs());
            assert_eq!(found, expected, "{value:?} {date:?}");
        };
        // RFC 9110, 10.2.3 and 5.6.7.
        check(Some("120"), None, Some(120));
        check(Some("Sun, 06 Nov 1994 08:51:37 GMT"), None, Some(120));
        check(Some("Sun, 06 Nov 1994 08:51:37 GMT"), Some("Sun, 06 Nov 1994 08:51:07 GMT"), Some(30));
        check(Some("Sun, 06 Nov 1994 08:00:00 GMT"), None, Some(0));
        check(Some("99999999999999999999"), None, Some(u64::from(u32::MAX)));
        check(Some("soon"), None, None);
        check(Some("-5"), None, None);
        check(Some(""), None, None);
        check(None, None, None);
    }
}
