//! Sends requests to an online shop: one request, one answer, no redirects, limits on everything.

mod certificates;

use super::hosts::{NotAllowed, Resolver, check_literal};
use super::links;
use super::secrets::{Secret, SecretError};
use super::tls;
use super::token::{Shown, Tokens};
use crate::chain::tell_all;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use domain::day::Moment;
use domain::delivery::{NoAnswer, REQUEST_TIMEOUT, Reply};
use feeds::connection::{ConnectionFile, SecretAs, SecretUse};
use percent_encoding::percent_decode_str;
use reqwest::header::{AUTHORIZATION, CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue};
use reqwest::{Method, Url, redirect};
use std::path::PathBuf;
use std::sync::Once;
use std::time::Duration;

/// How long connecting may take. A shop that is up answers within one round trip, and two lost packets are sent
/// again within this time.
pub const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
/// An answer counts as cut off if nothing arrives for this long.
pub const READ_TIMEOUT: Duration = Duration::from_secs(10);
/// The largest page of a list, in bytes: some ten thousand orders.
pub const MAX_PAGE_BYTES: usize = 8 << 20;
/// The largest answer to a message, in bytes: only the shop's id and a status in it are read.
pub const MAX_ANSWER_BYTES: usize = 64 << 10;
/// The longest `ETag` that is kept; longer ones are not sent back.
const MAX_ETAG_BYTES: usize = 200;
/// How many characters of an error page people see.
const SHOWN_CHARS: usize = 200;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Until the connection is made.
    pub connect: Duration,
    /// Until the next byte arrives.
    pub read: Duration,
    pub whole: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self { connect: CONNECT_TIMEOUT, read: READ_TIMEOUT, whole: REQUEST_TIMEOUT }
    }
}

/// Why requests to a connection's shop are impossible.
#[derive(Debug, thiserror::Error)]
pub(super) enum ClientError {
    /// Its host is an address that is not allowed.
    #[error(transparent)]
    Host(#[from] NotAllowed),
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// Its file with certificates cannot be used.
    #[error("ca_file {path}: {why}; it should be a PEM file that this user may read", path = path.display())]
    CaFile { path: PathBuf, why: String },
    /// TLS cannot be set up.
    #[error("this machine cannot use TLS ({}); is the package ca-certificates installed?", tell_all(source))]
    Tls {
        #[source]
        source: reqwest::Error,
    },
}

#[derive(Debug, thiserror::Error)]
pub(super) enum CallError {
    #[error("it could not be reached: {}", reason(source))]
    NotSent {
        #[source]
        source: reqwest::Error,
    },
    #[error("no complete answer came: {}", reason(source))]
    Unknown {
        #[source]
        source: reqwest::Error,
    },
    /// Everything together took too long, such as a token request and the request itself.
    #[error("no complete answer came within {} s", .0.as_secs())]
    TooSlow(Duration),
    /// There is no access token; nothing was sent.
    #[error("{words}")]
    NoToken {
        /// What is known about it, without any text from the answer.
        words: String,
        /// The reply that it counts as.
        reply: Reply,
    },
}

impl CallError {
    /// What it means for a message.
    pub(super) fn reply(&self) -> Reply {
        match self {
            Self::NotSent { .. } => Reply::NoAnswer(NoAnswer::NotSent),
            Self::Unknown { .. } | Self::TooSlow(_) => Reply::NoAnswer(NoAnswer::Unknown),
            Self::NoToken { reply, .. } => *reply,
        }
    }

    /// The token endpoint did not answer, so nothing was sent to the shop.
    pub(super) fn of_token(at: &Url, error: reqwest::Error) -> Self {
        let words = format!("{} gives no access token: {}", at, reason(&error.without_url()));
        Self::NoToken { words, reply: Reply::NoAnswer(NoAnswer::NotSent) }
    }
}

/// Why an answer's body is missing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum NoBody {
    TooLong,
    Broken(String),
}

#[derive(Clone, Debug)]
pub(super) struct Ask {
    pub(super) method: Method,
    pub(super) url: Url,
    pub(super) headers: Vec<(&'static str, String)>,
    pub(super) body: Option<Vec<u8>>,
    /// The most bytes of the answer to read.
    pub(super) limit: usize,
}

impl Ask {
    /// A request for a page of a list.
    pub(super) fn page(url: Url) -> Self {
        let headers = vec![("accept", "application/json".to_owned())];
        Self { method: Method::GET, url, headers, body: None, limit: MAX_PAGE_BYTES }
    }
}

#[derive(Debug)]
pub(super) struct Answer {
    pub(super) status: u16,
    pub(super) retry_after: Option<Duration>,
    /// Only if it is strong: a weak one matches no `If-Match` (RFC 9110, 13.1.1).
    pub(super) etag: Option<String>,
    /// Weak ones too, for `If-None-Match`.
    pub(super) any_etag: Option<String>,
    /// The shop's clock, in milliseconds since 1970.
    pub(super) date: Option<i64>,
    pub(super) next: Option<String>,
    pub(super) location: Option<String>,
    pub(super) content_type: Option<String>,
    pub(super) body: Result<Vec<u8>, NoBody>,
    /// For an answer that refuses access: which secret was sent, and how.
    shown: Option<String>,
}

impl Answer {
    /// Reads all of it, up to the limit.
    pub(super) async fn read(answer: reqwest::Response, limit: usize, now: Moment) -> Self {
        let status = answer.status().as_u16();
        let headers = answer.headers().clone();
        let body = read(answer, limit).await;
        Self {
            status,
            retry_after: links::retry_after(text(&headers, "retry-after"), text(&headers, "date"), now),
            etag: etag(&headers).filter(|tag| !tag.starts_with("W/")),
            any_etag: etag(&headers),
            date: text(&headers, "date").and_then(links::http_date),
            next: links::next(headers.get_all("link").iter().filter_map(|v| v.to_str().ok())),
            location: text(&headers, "location").map(str::to_owned),
            content_type: text(&headers, "content-type").map(str::to_ascii_lowercase),
            body,
            shown: None,
        }
    }

    pub(super) fn reply(&self) -> Reply {
        Reply::Status { code: self.status, retry_after: self.retry_after }
    }

    /// Whether it reports success but is an HTML page. The content type alone does not tell, because many small
    /// programs send a wrong one.
    pub(super) fn is_page_for_people(&self) -> bool {
        let is_html = self.content_type.as_deref().is_some_and(|t| t.contains("html"));
        let looks_so = match &self.body {
            Ok(body) => {
                let after_mark = body.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(body);
                after_mark.trim_ascii_start().starts_with(b"<")
            }
            Err(NoBody::TooLong) => true,
            Err(NoBody::Broken(_)) => false,
        };
        (200..300).contains(&self.status) && is_html && looks_so
    }

    /// Whether the answer is from the shop's own program: a server in front of it sends an empty body or a web
    /// page.
    pub(super) fn is_its_own_word(&self) -> bool {
        let is_json = self.content_type.as_deref().is_some_and(|t| t.contains("json"));
        is_json && self.body.as_ref().is_ok_and(|body| !body.trim_ascii().is_empty())
    }

    /// The answer in words: its status, and how an error page begins.
    pub(super) fn words(&self) -> String {
        let mut words = format!("it answered {}", self.status);
        if (300..400).contains(&self.status) {
            let to = self.location.as_deref().unwrap_or("nowhere");
            let to: String = to.chars().take(SHOWN_CHARS).collect();
            return format!(
                "{words} and would lead to {to}, which is not followed; put the right address into the connection"
            );
        }
        if let Some(shown) = &self.shown {
            words = format!("{words}, {shown}");
        }
        let is_text =
            self.content_type.as_deref().is_none_or(|t| t.contains("json") || t.starts_with("text/plain"));
        if let (true, Ok(body)) = (is_text, &self.body) {
            let text = String::from_utf8_lossy(body);
            let shown: String = text.trim().chars().filter(|c| !c.is_control()).take(SHOWN_CHARS).collect();
            if !shown.is_empty() {
                words = format!("{words}: {shown}");
            }
        }
        words
    }
}

/// Sends requests to one shop.
#[derive(Debug)]
pub(super) struct Client {
    http: reqwest::Client,
    shows: Shows,
    /// Which secret is sent, and how, for messages about refused access.
    whose: Option<String>,
    /// Headers of every request.
    fixed: Vec<(HeaderName, HeaderValue)>,
    limits: Limits,
}

#[derive(Debug)]
enum Shows {
    Nothing,
    Header(HeaderName, HeaderValue, Secret),
    Query(String, Secret),
    Token(Tokens),
}

static PROVIDER: Once = Once::new();

impl Client {
    pub(super) fn new(
        file: &ConnectionFile,
        secret: Option<&Secret>,
        limits: Limits,
    ) -> Result<Self, ClientError> {
        PROVIDER.call_once(|| {
            // If another part of this process has chosen a provider, that one is as good.
            let _ = rustls::crypto::ring::default_provider().install_default();
        });
        check_hosts(file)?;
        let mut builder = reqwest::Client::builder()
            .user_agent(concat!("Fleecefold/", env!("CARGO_PKG_VERSION")))
            .redirect(redirect::Policy::none())
            .no_proxy()
            .dns_resolver(std::sync::Arc::new(Resolver { private: file.private }))
            .connect_timeout(limits.connect)
            .read_timeout(limits.read)
            .timeout(limits.whole);
        if let Some(path) = &file.ca_file {
            builder = builder.tls_certs_merge(certificates::read(path)?);
        } else if addresses(file).all(|url| url.scheme() == "http") {
            // No certificate is ever checked, so none is loaded.
            builder = builder.tls_certs_only([]);
        }
        let http = builder.build().map_err(|source| ClientError::Tls { source })?;
        let shows = match (&file.secret, secret) {
            (Some(how), Some(secret)) => shows(how, secret)?,
            _ => Shows::Nothing,
        };
        let fixed = file.headers.iter().filter_map(|(name, value)| {
            // Checking the connection let only valid headers through.
            Some((HeaderName::from_bytes(name.as_bytes()).ok()?, HeaderValue::from_str(value).ok()?))
        });
        Ok(Self { http, shows, whose: file.secret.as_ref().map(whose), fixed: fixed.collect(), limits })
    }

    /// Sends a request and reads the answer up to its limit. If dropped in the middle, the request may have
    /// arrived.
    pub(super) async fn ask(&self, ask: Ask, now: Moment) -> Result<Answer, CallError> {
        let whole = self.limits.whole;
        let Shows::Token(tokens) = &self.shows else { return self.send(ask, None, now).await };
        // The token request counts too: a message must be done before its lease ends.
        let asked = tokio::time::timeout(whole, async {
            let shown = tokens.shown(&self.http, None, now).await?;
            let answer = self.send(ask.clone(), Some(&shown), now).await?;
            if answer.status != 401 {
                return Ok(answer);
            }
            // The token may have been revoked early: try once more with a new one.
            let shown = tokens.shown(&self.http, Some(&shown), now).await?;
            self.send(ask, Some(&shown), now).await
        });
        asked.await.unwrap_or(Err(CallError::TooSlow(whole)))
    }

    async fn send(&self, ask: Ask, token: Option<&Shown>, now: Moment) -> Result<Answer, CallError> {
        let mut url = ask.url;
        if let Shows::Query(name, secret) = &self.shows {
            url.query_pairs_mut().append_pair(name, secret.reveal());
        }
        let has_body = ask.body.is_some();
        let mut request = self.http.request(ask.method, url);
        for (name, value) in ask.headers {
            if !self.fixed.iter().any(|(fixed, _)| fixed == name) {
                request = request.header(name, value);
            }
        }
        for (name, value) in self.fixed.iter().filter(|(name, _)| has_body || name != CONTENT_TYPE) {
            request = request.header(name, value);
        }
        if let Shows::Header(name, value, _) = &self.shows {
            request = request.header(name, value);
        }
        if let Some(token) = token {
            request = request.header(AUTHORIZATION, token.header());
        }
        if let Some(body) = ask.body {
            request = request.body(body);
        }
        let answer = request.send().await.map_err(told_apart)?;
        let mut answer = Answer::read(answer, ask.limit, now).await;
        self.hide(&mut answer, token);
        if matches!(answer.status, 401 | 403) {
            let nothing = || "and the connection shows no secret; name one under [secret]".to_owned();
            answer.shown = Some(self.whose.clone().unwrap_or_else(nothing));
        }
        Ok(answer)
    }

    /// Removes our credentials from an answer that repeats them, since answers are stored and shown.
    fn hide(&self, answer: &mut Answer, token: Option<&Shown>) {
        if let Shows::Query(name, _) = &self.shows {
            for link in [&mut answer.next, &mut answer.location] {
                *link = link.take().map(|link| without_parameter(&link, name));
            }
        }
        if (200..300).contains(&answer.status) {
            return;
        }
        let secret = match (&self.shows, token) {
            (_, Some(token)) => token.secret(),
            (Shows::Header(_, _, secret) | Shows::Query(_, secret), None) => secret,
            (Shows::Token(_) | Shows::Nothing, None) => return,
        };
        // A refusal that shows what was refused. Shorter texts could occur anywhere.
        if secret.reveal().len() < LEAST_HIDDEN {
            return;
        }
        if let Ok(body) = &mut answer.body {
            *body = String::from_utf8_lossy(body).replace(secret.reveal(), "…").into_bytes();
        }
        answer.location = answer.location.take().map(|to| to.replace(secret.reveal(), "…"));
    }
}

/// The shortest secret that is searched for in an answer.
const LEAST_HIDDEN: usize = 4;

/// All addresses that a connection names.
fn addresses(file: &ConnectionFile) -> impl Iterator<Item = &Url> {
    let token = file.secret.as_ref().and_then(|secret| match &secret.how {
        SecretAs::Token(grant) => Some(&grant.at),
        _ => None,
    });
    std::iter::once(file.base.url()).chain(token)
}

/// Refuses hosts that are not allowed.
pub(super) fn check_hosts(file: &ConnectionFile) -> Result<(), NotAllowed> {
    addresses(file).try_for_each(|url| check_literal(url, file.private))
}

/// A link without one parameter of its query; the others stay as they are.
fn without_parameter(link: &str, name: &str) -> String {
    let Some((path, query)) = link.split_once('?') else { return link.to_owned() };
    let is_it = |pair: &&str| {
        let key = pair.split('=').next().unwrap_or_default();
        percent_decode_str(key).decode_utf8_lossy() == name
    };
    let kept: Vec<&str> = query.split('&').filter(|pair| !is_it(pair)).collect();
    if kept.is_empty() { path.to_owned() } else { format!("{path}?{}", kept.join("&")) }
}

/// The cause, without layers that only pass it on and mean nothing to a shopkeeper.
fn reason(error: &reqwest::Error) -> String {
    if let Some(words) = tls::words(error) {
        return words;
    }
    const PASSED_ON: [&str; 4] =
        ["error sending request", "client error (", "connection error", "request or response body error"];
    let mut words: Vec<String> = Vec::new();
    let mut next: Option<&dyn std::error::Error> = Some(error);
    while let Some(cause) = next {
        let text = cause.to_string();
        let is_passed_on = PASSED_ON.iter().any(|layer| text.starts_with(layer));
        // A layer may repeat what the one below it says.
        if !is_passed_on && !words.iter().any(|w| w.contains(&text)) {
            words.push(text);
        }
        next = cause.source();
    }
    if words.is_empty() { tell_all(error) } else { words.join(": ") }
}

fn text<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers.get(name).and_then(|value| value.to_str().ok()).map(str::trim)
}

fn etag(headers: &HeaderMap) -> Option<String> {
    text(headers, "etag").filter(|t| !t.is_empty() && t.len() <= MAX_ETAG_BYTES).map(str::to_owned)
}

/// Separates requests that were never sent from those that may have arrived.
fn told_apart(error: reqwest::Error) -> CallError {
    let source = error.without_url();
    if source.is_connect() || source.is_builder() {
        CallError::NotSent { source }
    } else {
        CallError::Unknown { source }
    }
}

async fn read(mut answer: reqwest::Response, limit: usize) -> Result<Vec<u8>, NoBody> {
    let mut body = Vec::new();
    loop {
        match answer.chunk().await {
            Ok(None) => return Ok(body),
            // Dropping it unread closes the connection, so the rest costs nobody anything.
            Ok(Some(chunk)) if body.len() + chunk.len() > limit => return Err(NoBody::TooLong),
            Ok(Some(chunk)) => body.extend_from_slice(&chunk),
            Err(error) => return Err(NoBody::Broken(reason(&error.without_url()))),
        }
    }
}

fn shows(how: &SecretUse, secret: &Secret) -> Result<Shows, SecretError> {
    let name = || how.name.as_str().to_owned();
    let (header, value) = match &how.how {
        SecretAs::Query(parameter) => return Ok(Shows::Query(parameter.clone(), secret.clone())),
        SecretAs::Token(grant) => return Ok(Shows::Token(Tokens::new(grant, &how.name, secret)?)),
        SecretAs::Bearer => (AUTHORIZATION, format!("Bearer {}", secret.reveal())),
        SecretAs::Basic if !secret.reveal().contains(':') => {
            return Err(SecretError::NoColon { name: name(), how: "basic" });
        }
        SecretAs::Basic => (AUTHORIZATION, format!("Basic {}", STANDARD.encode(secret.reveal()))),
        SecretAs::Header(header) => {
            // Checking the connection let only valid header names through.
            let header = HeaderName::from_bytes(header.as_bytes()).unwrap_or(AUTHORIZATION);
            (header, secret.reveal().to_owned())
        }
    };
    let mut value = HeaderValue::from_str(&value).map_err(|_| SecretError::Control { name: name() })?;
    value.set_sensitive(true);
    Ok(Shows::Header(header, value, secret.clone()))
}

/// Which secret is sent, and how.
fn whose(how: &SecretUse) -> String {
    let name = how.name.as_str();
    let way = match &how.how {
        SecretAs::Bearer => "as a bearer token".to_owned(),
        SecretAs::Basic => "as user and password".to_owned(),
        SecretAs::Header(header) => format!("in the header {header}"),
        SecretAs::Query(parameter) => format!("in the query as {parameter}"),
        SecretAs::Token(grant) => format!("to get an access token from {}", grant.at),
    };
    format!("and was shown the secret “{name}” {way}; is it the right one, and may it do this?")
}
