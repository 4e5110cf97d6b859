//! Access tokens, requested with a client's credentials (RFC 6749, 4.4) and kept while they are valid.

use super::client::{Answer, CallError, MAX_ANSWER_BYTES};
use super::secrets::{Secret, SecretError};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use domain::day::Moment;
use domain::delivery::Reply;
use feeds::connection::{ClientIn, SecretName, TokenGrant};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use reqwest::header::HeaderValue;
use serde::Deserialize;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::Mutex;

/// How long before its end a token is no longer used: a request that begins with it must be done by then.
const RENEWED_BEFORE: Duration = Duration::from_mins(1);
/// A token that claims to be valid for longer is renewed after this time.
const LONGEST: Duration = Duration::from_hours(24);
/// The longest token that common servers accept in a header, in bytes.
const MAX_TOKEN_BYTES: usize = 8 << 10;
/// How many characters of the error code in a refusal are shown (RFC 6749, 5.2).
const SHOWN_CHARS: usize = 40;

/// `application/x-www-form-urlencoded`, as RFC 6749, appendix B, requires: everything but its unreserved
/// letters is encoded.
const FORM: &AsciiSet = &NON_ALPHANUMERIC.remove(b'*').remove(b'-').remove(b'.').remove(b'_');

fn form(text: &str) -> String {
    utf8_percent_encode(text, FORM).to_string()
}

/// A token that is valid for a while.
struct Token {
    text: Secret,
    header: HeaderValue,
    /// None if its end is not given: then it is valid until it is refused.
    until: Option<Instant>,
}

/// Requests tokens, and keeps the last one.
pub(super) struct Tokens {
    grant: TokenGrant,
    name: SecretName,
    client: String,
    secret: Secret,
    kept: Mutex<Option<Arc<Token>>>,
}

impl std::fmt::Debug for Tokens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Tokens({})", self.grant.at)
    }
}

/// The token that is sent with a request.
#[derive(Clone)]
pub(super) struct Shown(Arc<Token>);

impl Shown {
    pub(super) fn header(&self) -> HeaderValue {
        self.0.header.clone()
    }

    pub(super) fn secret(&self) -> &Secret {
        &self.0.text
    }
}

/// The answer of a token endpoint (RFC 6749, 5.1 and 5.2), as far as it is needed.
#[derive(Deserialize)]
struct Given {
    access_token: Option<String>,
    token_type: Option<String>,
    expires_in: Option<serde_json::Value>,
    error: Option<String>,
}

impl Tokens {
    pub(super) fn new(grant: &TokenGrant, name: &SecretName, secret: &Secret) -> Result<Self, SecretError> {
        let no_colon = || SecretError::NoColon { name: name.as_str().to_owned(), how: "oauth" };
        let (client, secret) = secret.reveal().split_once(':').ok_or_else(no_colon)?;
        Ok(Self {
            grant: grant.clone(),
            name: name.clone(),
            client: client.to_owned(),
            secret: Secret::new(secret.to_owned()),
            kept: Mutex::default(),
        })
    }

    /// The token to send now. `refused` is one that the shop did not accept; it is not sent again.
    pub(super) async fn shown(
        &self,
        http: &reqwest::Client,
        refused: Option<&Shown>,
        now: Moment,
    ) -> Result<Shown, CallError> {
        // Locked during the request, so that many requests at once ask for one token.
        let mut kept = self.kept.lock().await;
        let is_good = |token: &&Arc<Token>| {
            let is_refused = refused.is_some_and(|refused| Arc::ptr_eq(&refused.0, token));
            !is_refused && token.until.is_none_or(|until| Instant::now() < until)
        };
        if let Some(token) = kept.as_ref().filter(is_good) {
            return Ok(Shown(Arc::clone(token)));
        }
        *kept = None;
        let token = Arc::new(self.ask(http, now).await?);
        *kept = Some(Arc::clone(&token));
        Ok(Shown(token))
    }

    async fn ask(&self, http: &reqwest::Client, now: Moment) -> Result<Token, CallError> {
        let mut body = "grant_type=client_credentials".to_owned();
        if !self.grant.scope.is_empty() {
            body = format!("{body}&scope={}", form(&self.grant.scope));
        }
        let (client, secret) = (form(&self.client), form(self.secret.reveal()));
        let mut request = http.post(self.grant.at.clone()).header("accept", "application/json");
        match self.grant.client {
            ClientIn::Header => {
                let basic = format!("Basic {}", STANDARD.encode(format!("{client}:{secret}")));
                let mut basic = HeaderValue::from_str(&basic).map_err(|_| self.refused("no header", None))?;
                basic.set_sensitive(true);
                request = request.header("authorization", basic);
            }
            ClientIn::Body => body = format!("{body}&client_id={client}&client_secret={secret}"),
        }
        let began = Instant::now();
        let request = request.header("content-type", "application/x-www-form-urlencoded").body(body);
        let answer = request.send().await.map_err(|error| CallError::of_token(&self.grant.at, error))?;
        let answer = Answer::read(answer, MAX_ANSWER_BYTES, now).await;
        self.read(&answer, began)
    }

    /// Only the error code of the answer is ever shown, because there may be a token in the rest.
    fn read(&self, answer: &Answer, began: Instant) -> Result<Token, CallError> {
        let given = answer.body.as_ref().ok().and_then(|body| serde_json::from_slice::<Given>(body).ok());
        let status = format!("it answered {}", answer.status);
        if !(200..300).contains(&answer.status) {
            let word = given
                .and_then(|given| given.error)
                .filter(|word| word.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-'));
            let word: Option<String> = word.map(|word| word.chars().take(SHOWN_CHARS).collect());
            let words = word.map_or(status.clone(), |word| format!("{status} ({word})"));
            return Err(self.refused(&words, Some(answer)));
        }
        let Some(Given { access_token: Some(text), token_type, expires_in, .. }) = given else {
            return Err(self.refused(&format!("{status} without an access_token"), None));
        };
        let is_bearer = token_type.as_deref().is_none_or(|kind| kind.eq_ignore_ascii_case("bearer"));
        let header = HeaderValue::from_str(&format!("Bearer {text}")).ok();
        let header = header.filter(|_| is_bearer && !text.is_empty() && text.len() <= MAX_TOKEN_BYTES);
        let Some(mut header) = header else {
            return Err(self.refused(&format!("{status} with a token that is no bearer token"), None));
        };
        header.set_sensitive(true);
        // Some write the number as text.
        let seconds = expires_in.and_then(|v| v.as_u64().or_else(|| v.as_str()?.trim().parse().ok()));
        let until = seconds.map(|seconds| {
            let life = Duration::from_secs(seconds).min(LONGEST);
            // A short-lived token is used for at least half of its life.
            began + life.saturating_sub(RENEWED_BEFORE.min(life / 2))
        });
        Ok(Token { text: Secret::new(text), header, until })
    }

    fn refused(&self, words: &str, answer: Option<&Answer>) -> CallError {
        let words = format!(
            "no access token came from {}: {words}; is the secret “{}” right? It is written client:secret",
            self.grant.at,
            self.name.as_str()
        );
        // Whoever is refused or must wait there is so for every request.
        let reply = match answer.map(|answer| (answer.status, answer.reply())) {
            Some((429 | 500..=599, reply)) => reply,
            _ => Reply::Status { code: 401, retry_after: None },
        };
        CallError::NoToken { words, reply }
    }
}
