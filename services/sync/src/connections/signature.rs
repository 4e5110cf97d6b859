//! Proves that a webhook comes from the online shop: Standard Webhooks 1.0.0, or a plain HMAC.
//!
//! The exact bytes of the body are signed. The hmac crate compares in constant time.

use super::secrets::{Secret, SecretError};
use base64::Engine as _;
use base64::alphabet;
use base64::engine::general_purpose::STANDARD;
use base64::engine::{DecodePaddingMode, GeneralPurpose, GeneralPurposeConfig};
use domain::day::Moment;
use feeds::connection::SecretName;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use std::fmt;

/// The header with the message's id.
pub const ID_HEADER: &str = "webhook-id";
/// The header with the time of sending, in Unix seconds.
pub const TIME_HEADER: &str = "webhook-timestamp";
pub const SIGNATURE_HEADER: &str = "webhook-signature";

/// The beginning of a key in text form (Standard Webhooks, “Signature scheme”).
const KEY_PREFIX: &str = "whsec_";
/// Keys are also passed around without the `=` at their end, and the reference libraries accept them.
const KEY_BASE64: GeneralPurpose = GeneralPurpose::new(
    &alphabet::STANDARD,
    GeneralPurposeConfig::new().with_decode_padding_mode(DecodePaddingMode::Indifferent),
);
/// The shortest and longest key, in bytes (the same section).
const KEY_BYTES: std::ops::RangeInclusive<usize> = 24..=64;
/// The shortest plain key, in bytes: 128 bits cannot be guessed.
const PLAIN_KEY_BYTES: usize = 16;
/// The most signatures of one message that are tried: one for each secret while they are being changed.
const MAX_SIGNATURES: usize = 20;
/// The longest id: those in the specification have some thirty characters.
const MAX_ID_BYTES: usize = 256;
/// Characters of an HMAC-SHA256 in hex; any other length is base64.
const HEX_CHARS: usize = 64;

/// Why a webhook is refused. The sender is not told which of these it was.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SignatureError {
    /// A header is missing, or comes twice.
    #[error("the webhook does not have the header {name} exactly once")]
    Header { name: String },
    /// The id is empty, too long or not printable.
    #[error("the webhook's id is not valid")]
    Id,
    /// The time is not a number.
    #[error("the webhook's time is not a number of seconds")]
    Time,
    /// It was sent too long ago, or by a clock that is too far ahead.
    #[error("the webhook was sent at {sent}, too far from {now}; is a clock wrong?")]
    TooFar {
        /// When it says that it was sent.
        sent: Moment,
        now: Moment,
    },
    #[error("no signature of the webhook is valid; is the secret the same on both sides?")]
    Wrong,
}

#[derive(Clone)]
pub struct HookKey(Hmac<Sha256>);

impl fmt::Debug for HookKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("HookKey(…)")
    }
}

impl HookKey {
    /// `whsec_` and base64, or only the base64.
    pub fn standard(name: &SecretName, secret: &Secret) -> Result<Self, SecretError> {
        let not = |why| SecretError::NotAKey { name: name.as_str().to_owned(), why };
        let text = secret.reveal();
        if text.starts_with("whsk_") || text.starts_with("whpk_") {
            return Err(not("is a key of a pair; take the one that begins with whsec_"));
        }
        let text = text.strip_prefix(KEY_PREFIX).unwrap_or(text);
        let key = KEY_BASE64
            .decode(text)
            .map_err(|_| not("is not base64 behind whsec_; copy it as it was shown"))?;
        let key = Some(key).filter(|key| KEY_BYTES.contains(&key.len()));
        key.and_then(|key| Self::of(&key))
            .ok_or_else(|| not("has not 24 to 64 bytes, which Standard Webhooks asks for"))
    }

    /// Uses the secret's bytes as they are.
    pub fn plain(name: &SecretName, secret: &Secret) -> Result<Self, SecretError> {
        let key = Some(secret.reveal().as_bytes()).filter(|key| key.len() >= PLAIN_KEY_BYTES);
        let why = "has fewer than 16 bytes, and could be guessed; take a longer one";
        let not = || SecretError::NotAKey { name: name.as_str().to_owned(), why };
        key.and_then(Self::of).ok_or_else(not)
    }

    fn of(bytes: &[u8]) -> Option<Self> {
        Hmac::<Sha256>::new_from_slice(bytes).ok().map(Self)
    }

    fn mac(&self) -> Hmac<Sha256> {
        self.0.clone()
    }

    fn signed(&self, id: &str, seconds: &str, body: &[u8]) -> Hmac<Sha256> {
        let mut mac = self.mac();
        for part in [id.as_bytes(), b".", seconds.as_bytes(), b".", body] {
            mac.update(part);
        }
        mac
    }

    /// Signs a message as in Standard Webhooks: `v1,` and base64.
    pub fn sign(&self, id: &str, seconds: i64, body: &[u8]) -> String {
        let mac = self.signed(id, &seconds.to_string(), body).finalize().into_bytes();
        format!("v1,{}", STANDARD.encode(mac))
    }
}

/// The headers of a webhook, as they came.
#[derive(Clone, Copy, Debug)]
pub struct HookHeaders<'a>(pub &'a [(String, String)]);

impl<'a> HookHeaders<'a> {
    /// The one header with a name; if it came twice, either could be meant.
    fn one(self, name: &str) -> Result<&'a str, SignatureError> {
        let mut found = self.0.iter().filter(|(n, _)| n.eq_ignore_ascii_case(name));
        match (found.next(), found.next()) {
            (Some((_, value)), None) => Ok(value.trim()),
            _ => Err(SignatureError::Header { name: name.to_owned() }),
        }
    }
}

/// Checks a webhook by Standard Webhooks 1.0.0; returns its id.
pub fn verify_standard(
    keys: &[HookKey],
    headers: HookHeaders<'_>,
    body: &[u8],
    now: Moment,
    tolerance_ms: i64,
) -> Result<String, SignatureError> {
    let id = headers.one(ID_HEADER)?;
    let (time, signatures) = (headers.one(TIME_HEADER)?, headers.one(SIGNATURE_HEADER)?);
    if id.is_empty() || id.len() > MAX_ID_BYTES || !id.bytes().all(|b| b.is_ascii_graphic()) {
        return Err(SignatureError::Id);
    }
    if time.len() > 12 || !time.bytes().all(|b| b.is_ascii_digit()) {
        return Err(SignatureError::Time);
    }
    let seconds: i64 = time.parse().map_err(|_| SignatureError::Time)?;
    let sent = Moment::from_millis(seconds * 1000);
    // The fraction of a second is ignored, because the header has whole seconds.
    if now.millis().div_euclid(1000).abs_diff(seconds) * 1000 > tolerance_ms.unsigned_abs() {
        return Err(SignatureError::TooFar { sent, now });
    }
    let given = signatures.split(' ').filter_map(|s| s.strip_prefix("v1,")).take(MAX_SIGNATURES);
    let given: Vec<Vec<u8>> = given.filter_map(|s| STANDARD.decode(s).ok()).collect();
    let is_right = |key: &HookKey| {
        let mac = key.signed(id, time, body);
        given.iter().any(|signature| mac.clone().verify_slice(signature).is_ok())
    };
    if keys.iter().any(is_right) { Ok(id.to_owned()) } else { Err(SignatureError::Wrong) }
}

/// Checks a webhook by an HMAC-SHA256 of its body in a header: in hex or base64, with or without `sha256=`.
pub fn verify_header(
    keys: &[HookKey],
    name: &str,
    headers: HookHeaders<'_>,
    body: &[u8],
) -> Result<(), SignatureError> {
    let text = headers.one(name)?;
    let text = text.strip_prefix("sha256=").unwrap_or(text);
    let given = if text.len() == HEX_CHARS { hex::decode(text).ok() } else { None };
    let given = given.or_else(|| STANDARD.decode(text).ok()).ok_or(SignatureError::Wrong)?;
    let is_right = |key: &HookKey| {
        let mut mac = key.mac();
        mac.update(body);
        mac.verify_slice(&given).is_ok()
    };
    if keys.iter().any(is_right) { Ok(()) } else { Err(SignatureError::Wrong) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECRET: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";
    const ID: &str = "msg_p5jXN8AQM9LWM0D4loKWxJek";
    const TIME: i64 = 1_614_265_330;
    const BODY: &str = "{\"test\": 2432232314}";
    const SIGNATURE: &str = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=";

    fn name() -> SecretName {
        SecretName::parse("hook").unwrap()
    }

    fn key(text: &str) -> HookKey {
        HookKey::standard(&name(), &Secret::new(text.to_owned())).unwrap()
    }

    #[test]
    fn signs_as_the_specification_does() {
        let check = |time: i64, body: &str, expected: &str| {
            assert_eq!(
                key(SECRET).sign(ID, time, body.as_bytes()),
                format!("v1,{expected}"),
                "{time} {body}"
            );
        };
        // The first is published: github.com/standard-webhooks/standard-webhooks, the libraries' own tests.
        // The others were computed separately with Python's hmac.
        check(TIME, BODY, "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
        check(TIME, "{\"test\":2432232314}", "Vif40peJBP7Iyl0XGmu61n4MwdrcHov5CFREBpE0svs=");
        check(TIME + 1, BODY, "l6C9/1+N/lSU6+gfh+YEGqTK2aQ+k8nMEWDvvCgHh7U=");
        check(TIME, "", "v48jdbgvh29KJz2Qc+ghw8G6vG3nAKnujWBg8oM/62A=");
        // The prefix is for people only.
        assert_eq!(key(&SECRET[6..]).sign(ID, TIME, BODY.as_bytes()), SIGNATURE);
    }

    #[test]
    fn a_hook_is_believed_by_one_right_signature_of_its_exact_bytes() {
        let other = key("whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8=");
        let keys = [other.clone(), key(SECRET)];
        let check = |id: &str,
                     time: &str,
                     signature: &str,
                     body: &str,
                     seconds: i64,
                     expected: Option<&str>| {
            let headers = [("Webhook-Id", id), ("webhook-timestamp", time), ("WEBHOOK-SIGNATURE", signature)];
            let headers: Vec<(String, String)> = headers
                .iter()
                .filter(|(_, v)| *v != "-")
                .map(|(n, v)| ((*n).to_owned(), (*v).to_owned()))
                .collect();
            let now = Moment::from_millis(seconds * 1000 + 400);
            let found = verify_standard(&keys, HookHeaders(&headers), body.as_bytes(), now, 300_000);
            let told = found.as_ref().map_or_else(ToString::to_string, String::clone);
            assert_eq!(found.as_deref().ok(), expected, "{id} {time} {signature} {body} {seconds}: {told}");
        };
        let time = "1614265330";
        let many = format!("v1,AAAA {SIGNATURE}");
        let strange = format!("v2,AAAA v1a,AAAA v1, {SIGNATURE}");
        let ours = format!("{} v1,AAAA", other.sign(ID, TIME, BODY.as_bytes()));
        // From the reference libraries' tests (same repository): accepted, then refused.
        check(ID, time, SIGNATURE, BODY, TIME, Some(ID));
        check(ID, time, &many, BODY, TIME, Some(ID));
        check(ID, time, &strange, BODY, TIME, Some(ID));
        check(ID, time, &ours, BODY, TIME, Some(ID));
        check(ID, time, SIGNATURE, BODY, TIME + 300, Some(ID));
        check(ID, time, SIGNATURE, BODY, TIME - 300, Some(ID));
        check(ID, time, SIGNATURE, BODY, TIME + 301, None);
        check(ID, time, SIGNATURE, BODY, TIME - 301, None);
        check("-", time, SIGNATURE, BODY, TIME, None);
        check(ID, "-", SIGNATURE, BODY, TIME, None);
        check(ID, time, "-", BODY, TIME, None);
        check(ID, "hello", SIGNATURE, BODY, TIME, None);
        check(ID, "+1614265330", SIGNATURE, BODY, TIME, None);
        check(ID, "", SIGNATURE, BODY, TIME, None);
        check(ID, time, "v1,", BODY, TIME, None);
        check(ID, time, "", BODY, TIME, None);
        check(ID, time, &SIGNATURE[..11], BODY, TIME, None);
        check(ID, time, &SIGNATURE[3..], BODY, TIME, None);
        check(ID, time, &SIGNATURE.replace("v1", "v2"), BODY, TIME, None);
        check(ID, time, SIGNATURE, "{\"test\":2432232314}", TIME, None);
        check(ID, time, SIGNATURE, &format!("{BODY}\n"), TIME, None);
        check("msg_other", time, SIGNATURE, BODY, TIME, None);
        check("", time, SIGNATURE, BODY, TIME, None);
        check(&"x".repeat(257), time, SIGNATURE, BODY, TIME, None);
        check(ID, "1614265331", SIGNATURE, BODY, TIME, None);
        // Our own limit: a right one after twenty others is not tried.
        check(ID, time, &format!("{}{SIGNATURE}", "v1,AAAA ".repeat(20)), BODY, TIME, None);
    }

    #[test]
    fn a_header_that_stands_twice_is_nobodys() {
        let pair = |n: &str, v: &str| (n.to_owned(), v.to_owned());
        let headers = [
            pair(ID_HEADER, ID),
            pair(TIME_HEADER, "1614265330"),
            pair(SIGNATURE_HEADER, SIGNATURE),
            pair(ID_HEADER, "msg_other"),
        ];
        let now = Moment::from_millis(TIME * 1000);
        let found = verify_standard(&[key(SECRET)], HookHeaders(&headers), BODY.as_bytes(), now, 300_000);
        assert_eq!(found, Err(SignatureError::Header { name: ID_HEADER.to_owned() }));
    }

    #[test]
    fn a_plain_hmac_reads_as_hex_or_base64() {
        // These forms are built on HMAC-SHA256, whose vectors are above; they have no source of their own.
        let key = HookKey::plain(&name(), &Secret::new("0123456789abcdef".to_owned())).unwrap();
        let body = b"what do ya want for nothing?";
        let mac = {
            let mut mac = key.mac();
            mac.update(body);
            mac.finalize().into_bytes()
        };
        let hex = hex::encode(mac);
        let check = |value: &str, body: &[u8], expected: bool| {
            let headers = [("X-Signature".to_owned(), value.to_owned())];
            let found = verify_header(std::slice::from_ref(&key), "x-signature", HookHeaders(&headers), body);
            assert_eq!(found.is_ok(), expected, "{value}");
        };
        check(&hex, body, true);
        check(&hex.to_uppercase(), body, true);
        check(&format!("sha256={hex}"), body, true);
        check(&STANDARD.encode(mac), body, true);
        check(&format!("sha256={}", STANDARD.encode(mac)), body, true);
        check(&hex[..62], body, false);
        check(&hex, b"something else", false);
        check("", body, false);
        check("sha256=", body, false);
        check("äö", body, false);
        let none = verify_header(std::slice::from_ref(&key), "x-signature", HookHeaders(&[]), body);
        assert_eq!(none, Err(SignatureError::Header { name: "x-signature".to_owned() }));
    }

    #[test]
    fn keys_that_are_none_are_refused() {
        let check = |text: &str, is_standard: bool, expected: &str| {
            let secret = Secret::new(text.to_owned());
            let found = if is_standard {
                HookKey::standard(&name(), &secret)
            } else {
                HookKey::plain(&name(), &secret)
            };
            let told = found.map_or_else(|e| e.to_string(), |k| format!("{k:?}"));
            assert!(told.contains(expected), "{text}: {told}");
            assert!(text.is_empty() || !told.contains(text), "{text} shows itself: {told}");
        };
        check(SECRET, true, "HookKey(…)");
        check("", true, "24 to 64 bytes");
        check("whsec_", true, "24 to 64 bytes");
        check("whsec_MfKQ9r8GKYqrTwjUPD8ILPZI", true, "24 to 64 bytes");
        check("whsec_not base64!", true, "not base64");
        check("whsk_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", true, "key of a pair");
        check("fifteen-letters", false, "fewer than 16 bytes");
        check("sixteen-letters!", false, "HookKey(…)");
    }
}
