//! Bodies of requests that change something: their key, their size limit, and strict reading.

use crate::app::App;
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use axum::body::Bytes;
use axum::extract::rejection::{BytesRejection, FailedToBufferBody};
use axum::extract::{DefaultBodyLimit, FromRequest, Request};
use axum::http::{HeaderMap, HeaderName, header};
use domain::objects::{FIELDS_BY_NAME, Objects};
use ledger::Key;
use serde::de::DeserializeOwned;
use serde_path_to_error::{Path, Segment};

/// The largest body: a sale with 200 lines and a long note takes a tenth of it.
pub(crate) const BODY_LIMIT: usize = 256 * 1024;
/// The largest body with 500 items, or with a feed.
pub(crate) const BULK_LIMIT: usize = 2 * 1024 * 1024;
/// Makes a request count once, however often it is sent.
const KEY: HeaderName = HeaderName::from_static("idempotency-key");

/// A body that is read from JSON.
pub(crate) trait Body: DeserializeOwned {
    /// Its largest size, in bytes.
    const LIMIT: usize = BODY_LIMIT;
}

/// A write: its key and its body.
pub(crate) struct Write<T> {
    pub(crate) key: Key,
    pub(crate) who: String,
    pub(crate) body: T,
}

impl<T: Body> FromRequest<App> for Write<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &App) -> Result<Self, Problem> {
        let caller = caller(&request)?;
        let (key, bytes) = keyed_json(request, T::LIMIT, &caller).await?;
        Ok(Self { key, body: parse(&bytes)?, who: caller.who })
    }
}

/// A write whose body is passed on as it came.
pub(crate) struct WriteBytes {
    pub(crate) key: Key,
    pub(crate) bytes: Bytes,
}

impl FromRequest<App> for WriteBytes {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &App) -> Result<Self, Problem> {
        let caller = caller(&request)?;
        let (key, bytes) = keyed_json(request, BULK_LIMIT, &caller).await?;
        Ok(Self { key, bytes })
    }
}

pub(crate) struct WriteNothing {
    pub(crate) key: Key,
}

impl FromRequest<App> for WriteNothing {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &App) -> Result<Self, Problem> {
        let given = key_text(request.headers())?;
        let caller = caller(&request)?;
        let scope = scope(&request, &caller.who);
        let bytes = read(request, BODY_LIMIT).await?;
        if !bytes.is_empty() {
            return Err(Problem::new(Kind::Malformed, "this request has no body; leave it out"));
        }
        Ok(Self { key: key(&scope, &given, &bytes, &caller)? })
    }
}

async fn keyed_json(request: Request, limit: usize, caller: &Caller) -> Result<(Key, Bytes), Problem> {
    let given = key_text(request.headers())?;
    require_json(request.headers())?;
    let scope = scope(&request, &caller.who);
    let bytes = read(request, limit).await?;
    Ok((key(&scope, &given, &bytes, caller)?, bytes))
}

/// Who sends it, as the edge let them in.
fn caller(request: &Request) -> Result<Caller, Problem> {
    let nobody = || Problem::new(Kind::StorageError, "a write was reached by nobody");
    request.extensions().get::<Caller>().cloned().ok_or_else(nobody)
}

/// Caller, method, and path with its query: the scope of a key.
fn scope(request: &Request, who: &str) -> String {
    let target = request.uri().path_and_query().map_or("/", |p| p.as_str());
    format!("{who} {} {target}", request.method())
}

/// The key carries who is acting, whose limits the ledger checks.
fn key(scope: &str, given: &str, bytes: &[u8], caller: &Caller) -> Result<Key, Problem> {
    let key = Key::new(scope, given, bytes)
        .map_err(|rejection| Problem::new(Kind::Malformed, words::rejection(&rejection)))?;
    Ok(key.sent_by(caller.actor()))
}

/// The key: an RFC 8941 string, as in the draft, or bare. Both mean the same key.
fn key_text(headers: &HeaderMap) -> Result<String, Problem> {
    let mut values = headers.get_all(KEY).iter();
    let Some(value) = values.next() else {
        let words = "send the header Idempotency-Key with a new random value, and the same value again when you \
            repeat the request";
        return Err(Problem::new(Kind::KeyMissing, words));
    };
    let text = value.to_str().ok().filter(|_| values.next().is_none()).map(str::trim);
    text.and_then(unquoted).ok_or_else(|| {
        let words = "the Idempotency-Key must be one header of printable ASCII, in double quotes or bare";
        Problem::new(Kind::Malformed, words)
    })
}

/// RFC 8941, 3.3.3: within the quotes, a backslash only stands before a quote or a backslash.
fn unquoted(text: &str) -> Option<String> {
    let Some(rest) = text.strip_prefix('"') else {
        return (!text.contains('"')).then(|| text.to_owned());
    };
    let inner = rest.strip_suffix('"')?;
    let mut key = String::with_capacity(inner.len());
    let mut chars = inner.chars();
    while let Some(c) = chars.next() {
        match c {
            '\\' => key.push(chars.next().filter(|c| matches!(c, '"' | '\\'))?),
            '"' => return None,
            c => key.push(c),
        }
    }
    Some(key)
}

fn require_json(headers: &HeaderMap) -> Result<(), Problem> {
    let given = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let essence = given.split(';').next().unwrap_or_default().trim();
    if essence.eq_ignore_ascii_case("application/json") {
        return Ok(());
    }
    let words = "send the body as JSON, with the header Content-Type: application/json";
    Err(Problem::new(Kind::UnsupportedMediaType, words))
}

pub(crate) async fn read(mut request: Request, limit: usize) -> Result<Bytes, Problem> {
    DefaultBodyLimit::max(limit).apply(&mut request);
    Bytes::from_request(request, &()).await.map_err(|rejection| match rejection {
        BytesRejection::FailedToBufferBody(FailedToBufferBody::LengthLimitError(_)) => {
            let words = format!("a body here has at most {limit} bytes; send it in parts");
            Problem::new(Kind::TooLarge, words)
        }
        _ => Problem::new(Kind::Malformed, "the body broke off"),
    })
}

/// Reads JSON strictly: nothing after it, no unknown field, no field twice, no list in place of an object.
pub(crate) fn parse<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Problem> {
    let mut json = serde_json::Deserializer::from_slice(bytes);
    let value = serde_path_to_error::deserialize(Objects(&mut json)).map_err(|error| {
        let pointer = pointer(error.path());
        told(error.inner(), pointer)
    })?;
    json.end().map_err(|error| told(&error, "#".to_owned()))?;
    Ok(value)
}

fn told(error: &serde_json::Error, pointer: String) -> Problem {
    let at = format!(" at line {} column {}", error.line(), error.column());
    let said = error.to_string();
    let what = said.strip_suffix(&at).unwrap_or(&said);
    if !error.is_data() {
        let words =
            format!("the body is not JSON: {what} in line {}, column {}", error.line(), error.column());
        return Problem::new(Kind::Malformed, words);
    }
    let number =
        what.starts_with("invalid type: integer") || what.starts_with("invalid type: floating point");
    if number && what.ends_with("expected a string") {
        let words =
            "write it as text in quotation marks, such as \"47.50\": a JSON number loses digits on its way";
        return Problem::invalid(pointer, words);
    }
    if let Some(found) = what.strip_suffix(FIELDS_BY_NAME) {
        return Problem::invalid(pointer, format!("{found}an object with its {FIELDS_BY_NAME}"));
    }
    // The names of our types mean nothing to the caller.
    match what.split_once("expected struct ") {
        Some((found, _)) => Problem::invalid(pointer, format!("{found}expected an object")),
        None => Problem::invalid(pointer, what),
    }
}

/// The place of an error, as a JSON Pointer in a URI fragment.
fn pointer(path: &Path) -> String {
    path.iter().fold("#".to_owned(), |pointer, segment| match segment {
        Segment::Seq { index } => format!("{pointer}/{index}"),
        Segment::Map { key } => format!("{pointer}/{}", key.replace('~', "~0").replace('/', "~1")),
        Segment::Enum { .. } | Segment::Unknown => pointer,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[test]
    fn a_key_is_quoted_or_bare() {
        let check = |text: &str, expected: Option<&str>| {
            assert_eq!(unquoted(text).as_deref(), expected, "{text}");
        };
        check("abc-1", Some("abc-1"));
        check("\"abc-1\"", Some("abc-1"));
        check("\"8e03978e-40d5-43e8-bc93-6894a57f9324\"", Some("8e03978e-40d5-43e8-bc93-6894a57f9324"));
        check(r#""a\"b\\c""#, Some(r#"a"b\c"#));
        check(r#""a\b""#, None);
        check(r#""a"b""#, None);
        check("\"abc", None);
        check("abc\"", None);
        check("\"", None);
        check("\"abc\";p=1", None);
    }

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Inner {
        amount: String,
    }

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Outer {
        lines: Vec<Inner>,
    }

    #[test]
    fn what_is_right_is_read() {
        let outer: Outer = parse(br#" {"lines": [{"amount": "47.50"}]} "#).expect("a body");
        assert_eq!(outer.lines[0].amount, "47.50");
    }

    #[test]
    fn a_fault_names_its_place() {
        let check = |body: &str, kind: Kind, pointer: Option<&str>, words: &str| {
            let problem = parse::<Outer>(body.as_bytes()).expect_err(body);
            assert_eq!(problem.kind(), kind, "{body}");
            let document = problem.into_document();
            let found = document.errors.first().and_then(|f| f.pointer.as_deref());
            assert_eq!(found, pointer, "{body}: {}", document.detail);
            assert!(document.detail.contains(words), "{body}: {}", document.detail);
        };
        let invalid = Kind::Invalid;
        check(r#"{"lines":[{"amount":5}]}"#, invalid, Some("#/lines/0/amount"), "quotation marks");
        check(r#"{"lines":[{"amount":5.5}]}"#, invalid, Some("#/lines/0/amount"), "quotation marks");
        check(r#"{"lines":[{"amount":"5"},{"amount":null}]}"#, invalid, Some("#/lines/1/amount"), "null");
        check(
            r#"{"lines":[{"amount":"5","tip":"1"}]}"#,
            invalid,
            Some("#/lines/0/tip"),
            "unknown field `tip`",
        );
        check(r#"{"lines":[],"a/b~":1}"#, invalid, Some("#/a~1b~0"), "unknown field");
        check(r#"{"lines":[{"amount":"5","amount":"6"}]}"#, invalid, Some("#/lines/0"), "duplicate field");
        check(r#"{"lines":{}}"#, invalid, Some("#/lines"), "expected a sequence");
        check(r"{}", invalid, Some("#"), "missing field `lines`");
        check("[]", invalid, Some("#"), "expected an object with its fields by name");
        check(r#"[[{"amount":"5"}]]"#, invalid, Some("#"), "expected an object");
        check(r#"{"lines":[["5"]]}"#, invalid, Some("#/lines/0"), "expected an object");
        check(r#"{"lines":["x"]}"#, invalid, Some("#/lines/0"), "expected an object");
        check("", Kind::Malformed, None, "not JSON");
        check(r#"{"lines":[}"#, Kind::Malformed, None, "line 1");
        check(r#"{"lines":[]} x"#, Kind::Malformed, None, "trailing");
        check("{\"lines\":[{\"amount\":\"\u{1}\"}]}", Kind::Malformed, None, "control character");
    }
}
