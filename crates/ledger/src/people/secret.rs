//! How secrets are stored.

use crate::store::idempotency_key::hex_hash;
use crate::store::rejection::{PeopleReason, Rejection};
use serde::{Deserialize, Serialize};
use std::fmt;

/// The longest PHC string, in characters; those of this program have about 100.
const MAX_PHC_CHARS: usize = 300;

/// A stored password or PIN: a slow hash, as a PHC string with its salt and parameters.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Phc(String);

impl Phc {
    /// Reads a PHC string; a password that was passed by mistake is rejected.
    pub fn new(text: String) -> Result<Self, Rejection> {
        let is_one = text.starts_with("$argon2id$") && text.len() <= MAX_PHC_CHARS && text.is_ascii();
        if is_one { Ok(Self(text)) } else { Err(Rejection::invalid("password", PeopleReason::NotAHash)) }
    }

    /// The PHC string.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Phc {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Phc(…)")
    }
}

/// A stored random secret (a cookie): its SHA-256. Nobody guesses 192 random bits, so no slow hash is
/// needed, which would be too slow for every request.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SecretHash(String);

impl SecretHash {
    /// Hashes a secret.
    pub fn of(secret: &str) -> Self {
        Self(hex_hash(secret.as_bytes()))
    }

    /// The hash, in hex.
    pub(crate) fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for SecretHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SecretHash(…)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // FIPS 180-4's example “abc”, as NIST publishes it.
    #[test]
    fn a_secret_is_kept_as_its_sha_256() {
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(SecretHash::of("abc").as_str(), expected);
    }

    #[test]
    fn nothing_secret_shows_itself() {
        let phc = Phc::new("$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA".to_owned()).expect("a PHC string");
        let shown = format!("{phc:?} {:?}", SecretHash::of("abc"));
        assert!(!shown.contains("aGFzaA") && !shown.contains("ba78"), "{shown}");
    }

    #[test]
    fn a_password_is_not_taken_for_its_hash() {
        let check =
            |text: String, expected: bool| assert_eq!(Phc::new(text.clone()).is_ok(), expected, "{text}");
        check("$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA".to_owned(), true);
        check("plum ladder thistle harvest".to_owned(), false);
        check(String::new(), false);
        check(format!("$argon2id${}", "a".repeat(300)), false);
    }
}
