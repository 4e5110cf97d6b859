//! Hooks: every change of an order is sent to a configured address, signed by Standard Webhooks 1.0.0.

use crate::faults::Faults;
use axum::body::Body;
use axum::http::header::{CONTENT_TYPE, HOST};
use axum::http::{Request, StatusCode, Uri};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use hyper::client::conn::http1;
use hyper_util::rt::TokioIo;
use sha2::Sha256;
use std::fmt;
use std::time::Duration;
use tokio::net::TcpStream;

/// How often a hook is tried if the answer is not a success; after that only the list of orders has it.
const MAX_TRIES: u32 = 8;
/// The wait before the second try; it doubles.
const FIRST_WAIT_MS: i64 = 1_000;
/// The most hooks that wait, so that a receiver that is away for days does not fill this shop's memory.
const MAX_WAITING: usize = 10_000;
/// How long to wait for an answer.
const PATIENCE: Duration = Duration::from_secs(5);
/// The beginning of a secret, and its shortest and longest length, by the specification.
const PREFIX: &str = "whsec_";
const LENGTHS: std::ops::RangeInclusive<usize> = 24..=64;

/// The text is not a secret of Standard Webhooks.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a hook's secret is whsec_ and 24 to 64 bytes in base64")]
pub struct NotASecret;

#[derive(Clone)]
pub struct HookSecret(Vec<u8>);

impl fmt::Debug for HookSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("HookSecret(…)")
    }
}

impl HookSecret {
    /// Reads `whsec_…`.
    pub fn parse(text: &str) -> Result<Self, NotASecret> {
        let coded = text.trim().strip_prefix(PREFIX).ok_or(NotASecret)?;
        let bytes = STANDARD.decode(coded).map_err(|_| NotASecret)?;
        if LENGTHS.contains(&bytes.len()) { Ok(Self(bytes)) } else { Err(NotASecret) }
    }

    fn sign(&self, id: &str, seconds: i64, body: &str) -> String {
        // HMAC accepts keys of any length.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(&self.0) else { return String::new() };
        mac.update(format!("{id}.{seconds}.{body}").as_bytes());
        format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
    }
}

#[derive(Clone, Debug)]
pub struct HooksTo {
    pub address: String,
    /// Each of them signs every hook: there are several while they are being changed.
    pub secrets: Vec<HookSecret>,
    /// Whether hooks are sent as soon as they are due; otherwise [`crate::Running::send_hooks`] sends them.
    pub by_itself: bool,
}

#[derive(Clone, Debug)]
pub struct Hook {
    pub id: String,
    pub body: String,
    due_ms: i64,
    tries: u32,
}

#[derive(Debug)]
pub struct Outbound {
    wanted: bool,
    waiting: Vec<Hook>,
    dice: fastrand::Rng,
}

impl Outbound {
    /// None yet; the seed starts the random numbers.
    pub fn new(seed: u64, wanted: bool) -> Self {
        Self { wanted, waiting: Vec::new(), dice: fastrand::Rng::with_seed(seed) }
    }

    /// Adds a hook with its id and body, unless nobody wants any.
    pub fn add(&mut self, told: impl FnOnce() -> (String, String), now_ms: i64) {
        if self.wanted && self.waiting.len() < MAX_WAITING {
            let (id, body) = told();
            self.waiting.push(Hook { id, body, due_ms: now_ms, tries: 0 });
        }
    }

    /// Those that are due, as the faults want them: some lost, some twice, in random order.
    pub fn take_due(&mut self, now_ms: i64, faults: &Faults) -> Vec<Hook> {
        let (due, later) = self.waiting.drain(..).partition(|hook| hook.due_ms <= now_ms);
        self.waiting = later;
        let due: Vec<Hook> = due;
        let mut sent = Vec::with_capacity(due.len());
        for hook in due {
            if self.falls(faults.lost_percent) {
                continue;
            }
            if self.falls(faults.twice_percent) {
                sent.push(hook.clone());
            }
            sent.push(hook);
        }
        if faults.shuffled {
            self.dice.shuffle(&mut sent);
        }
        sent
    }

    fn falls(&mut self, percent: u8) -> bool {
        percent > 0 && self.dice.u8(0..100) < percent
    }

    pub fn try_later(&mut self, mut hook: Hook, now_ms: i64) {
        hook.due_ms = now_ms + (FIRST_WAIT_MS << hook.tries);
        hook.tries += 1;
        if hook.tries < MAX_TRIES {
            self.waiting.push(hook);
        }
    }

    /// Forgets all of them.
    pub fn clear(&mut self) {
        self.waiting.clear();
    }

    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }
}

/// The text is not an address for hooks.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0} is no address for hooks: it begins with http:// and names a host, and a port if it is not 80")]
pub struct NotAnAddress(String);

/// Sends hooks, each on a connection of its own.
#[derive(Debug)]
pub(crate) struct Messenger {
    to: HooksTo,
    host: String,
    path: String,
}

impl Messenger {
    pub(crate) fn new(to: HooksTo) -> Result<Self, NotAnAddress> {
        let not = || NotAnAddress(to.address.clone());
        let uri: Uri = to.address.parse().map_err(|_| not())?;
        let host = uri.authority().filter(|_| uri.scheme_str() == Some("http")).ok_or_else(not)?.clone();
        let host = if host.port().is_some() { host.to_string() } else { format!("{host}:80") };
        let path = uri.path_and_query().map_or("/", |path| path.as_str()).to_owned();
        Ok(Self { to, host, path })
    }

    pub(crate) fn by_itself(&self) -> bool {
        self.to.by_itself
    }

    /// Whether the answer was a success.
    pub(crate) async fn send(&self, hook: &Hook, shop_now_ms: i64) -> bool {
        let seconds = shop_now_ms.div_euclid(1_000);
        let signed: Vec<String> =
            self.to.secrets.iter().map(|secret| secret.sign(&hook.id, seconds, &hook.body)).collect();
        let headers = [
            ("webhook-id", hook.id.clone()),
            ("webhook-timestamp", seconds.to_string()),
            ("webhook-signature", signed.join(" ")),
        ];
        deliver((&self.host, &self.path), &headers, hook.body.clone()).await
    }
}

/// Sends a hook to a path on a host; returns whether the answer was a success.
pub async fn deliver((host, path): (&str, &str), headers: &[(&str, String)], body: String) -> bool {
    let mut request = Request::post(path).header(HOST, host).header(CONTENT_TYPE, "application/json");
    for (name, value) in headers {
        request = request.header(*name, value);
    }
    let Ok(request) = request.body(Body::from(body)) else { return false };
    let answer = tokio::time::timeout(PATIENCE, ask(host, request)).await;
    answer.is_ok_and(|status| status.is_some_and(|status| status.is_success()))
}

/// The status of the answer, if there is one. Its body does not matter.
async fn ask(host: &str, request: Request<Body>) -> Option<StatusCode> {
    let stream = TcpStream::connect(host).await.ok()?;
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await.ok()?;
    let talking = tokio::spawn(connection);
    let status = sender.send_request(request).await.ok().map(|answer| answer.status());
    talking.abort();
    status
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the Standard Webhooks libraries' own tests
    /// (github.com/standard-webhooks/standard-webhooks, `test_sign_function`).
    #[test]
    fn signs_as_the_specification_has_it() {
        let secret = HookSecret::parse("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let signature = secret.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, r#"{"test": 2432232314}"#);
        assert_eq!(signature, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    #[test]
    fn a_secret_is_checked_and_never_shown() {
        let check = |text: &str, good: bool| assert_eq!(HookSecret::parse(text).is_ok(), good, "{text}");
        let of = |length: usize| format!("whsec_{}", STANDARD.encode(vec![7; length]));
        check(&of(24), true);
        check(&of(64), true);
        check(&of(23), false);
        check(&of(65), false);
        check("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", false);
        check("whsec_not base64", false);
        assert_eq!(format!("{:?}", HookSecret::parse(&of(24)).unwrap()), "HookSecret(…)");
    }

    fn outbound(count: u64) -> Outbound {
        let mut outbound = Outbound::new(3, true);
        for change in 1..=count {
            outbound.add(|| (format!("msg_{change}"), "{}".to_owned()), 0);
        }
        outbound
    }

    fn ids(hooks: &[Hook]) -> Vec<&str> {
        hooks.iter().map(|hook| hook.id.as_str()).collect()
    }

    #[test]
    fn a_hook_waits_longer_each_time_and_is_given_up() {
        let mut outbound = outbound(1);
        let mut waits = Vec::new();
        let mut now = 0;
        while let Some(hook) = outbound.take_due(now, &Faults::default()).pop() {
            outbound.try_later(hook, now);
            let Some(next) = outbound.waiting.first() else { break };
            waits.push(next.due_ms - now);
            now = next.due_ms;
            assert!(outbound.take_due(now - 1, &Faults::default()).is_empty());
        }
        assert_eq!(waits, [1_000, 2_000, 4_000, 8_000, 16_000, 32_000, 64_000]);
    }

    #[test]
    fn faults_fall_the_same_way_each_time() {
        let check = |faults: &Faults, holds: &dyn Fn(&[&str]) -> bool| {
            let (one, two) = (outbound(50).take_due(0, faults), outbound(50).take_due(0, faults));
            assert_eq!(ids(&one), ids(&two), "{faults:?}");
            assert!(holds(&ids(&one)), "{faults:?}: {:?}", ids(&one));
        };
        let in_order: Vec<String> = (1..=50).map(|n| format!("msg_{n}")).collect();
        check(&Faults::default(), &|ids| ids == in_order);
        check(&Faults { shuffled: true, ..Faults::default() }, &|ids| ids.len() == 50 && ids != in_order);
        check(&Faults { twice_percent: 50, ..Faults::default() }, &|ids| (60..90).contains(&ids.len()));
        check(&Faults { lost_percent: 50, ..Faults::default() }, &|ids| (10..40).contains(&ids.len()));
        check(&Faults { lost_percent: 100, ..Faults::default() }, &|ids| ids.is_empty());
    }
}
