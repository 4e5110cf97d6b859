//! Tokens of programs: JSON Web Tokens (RFC 7519), signed with keys that are kept outside the database.
//!
//! A token only names its row in the shop's list (`jti`); its rights are read from there at each request. RFC
//! 8725's advice is followed: one algorithm, set here and never by the token; random keys, found by `kid` only
//! in our own file; issuer, audience and times are checked.

mod file;
mod hs256;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use domain::day::Moment;
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation, decode, decode_header, encode};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::{PoisonError, RwLock, RwLockReadGuard};
use std::time::SystemTime;

pub use file::KeysError;

const ISSUER: &str = "fleecefold";
/// Whom they are for.
const AUDIENCE: &str = "fleecefold-api";
/// The longest token that is parsed: ours have about 400 characters.
const MAX_CHARS: usize = 4096;
/// By how much the clocks of two processes of one shop may differ.
const LEEWAY_SECONDS: i64 = 5;

/// The claims of a token.
#[derive(Debug, Serialize, Deserialize)]
struct Claims {
    iss: String,
    aud: String,
    sub: String,
    jti: String,
    iat: i64,
    nbf: i64,
    exp: i64,
}

/// A key, as it stands in the file (RFC 7517: a JSON Web Key of kind `oct`).
#[derive(Clone, PartialEq, Eq)]
struct Key {
    kid: String,
    secret: Vec<u8>,
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Key({})", self.kid)
    }
}

/// Why a token is not accepted. The texts tell its owner what to do and an attacker nothing new.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum TokenWrong {
    #[error("the token has expired")]
    Over,
    #[error("the token is not valid yet; check this computer's clock")]
    Early,
    #[error("the token does not belong to this shop")]
    NotOurs,
}

/// Shows that a file was changed or replaced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    modified: Option<SystemTime>,
    length: u64,
    inode: u64,
}

impl Stamp {
    /// None if the file's metadata cannot be read.
    fn of(path: &Path) -> Option<Self> {
        let found = std::fs::metadata(path).ok()?;
        #[cfg(unix)]
        let inode = std::os::unix::fs::MetadataExt::ino(&found);
        #[cfg(not(unix))]
        let inode = 0;
        Some(Self { modified: found.modified().ok(), length: found.len(), inode })
    }
}

/// The keys as they were read, and the state of the file at that time.
#[derive(Debug)]
struct Loaded {
    keys: Vec<Key>,
    stamp: Option<Stamp>,
}

/// The keys for signing and verifying: the newest signs, all verify. Another process may add one, and the owner
/// may take one out of the file: both take effect at the next token.
#[derive(Debug)]
pub struct TokenKeys {
    path: PathBuf,
    loaded: RwLock<Loaded>,
}

impl TokenKeys {
    /// Opens a file of keys; a missing one is created with a first key.
    pub fn open(path: &Path) -> Result<Self, KeysError> {
        hs256::install();
        let keys = file::open(path)?;
        // No stamp yet: the file may have changed since, so the first token checks again.
        Ok(Self { path: path.to_owned(), loaded: RwLock::new(Loaded { keys, stamp: None }) })
    }

    fn loaded(&self) -> RwLockReadGuard<'_, Loaded> {
        self.loaded.read().unwrap_or_else(PoisonError::into_inner)
    }

    /// The keys as the file has them now. While it cannot be read there are none: a key that was removed must
    /// not keep working.
    fn current(&self) -> RwLockReadGuard<'_, Loaded> {
        let stamp = Stamp::of(&self.path);
        let loaded = self.loaded();
        if stamp.is_some() && stamp == loaded.stamp {
            return loaded;
        }
        let had_keys = !loaded.keys.is_empty();
        drop(loaded);
        let keys = file::read(&self.path).unwrap_or_else(|error| {
            if had_keys {
                tracing::error!(%error, "no token is taken until the file of the token keys can be read");
            }
            Vec::new()
        });
        *self.loaded.write().unwrap_or_else(PoisonError::into_inner) = Loaded { keys, stamp };
        self.loaded()
    }

    /// Adds a key, which signs from now on; tokens signed by the others stay valid.
    pub fn rotate(&self) -> Result<(), KeysError> {
        file::rotate(&self.path)?;
        Ok(())
    }

    /// Signs the token of a row: `jti`, its name, from when and until when it is valid.
    pub fn sign(&self, jti: &str, name: &str, made: Moment, until: Moment) -> Result<String, KeysError> {
        let claims = Claims {
            iss: ISSUER.to_owned(),
            aud: AUDIENCE.to_owned(),
            sub: name.to_owned(),
            jti: jti.to_owned(),
            iat: seconds(made),
            nbf: seconds(made),
            exp: seconds(until),
        };
        let loaded = self.current();
        let key = loaded.keys.last().ok_or_else(|| KeysError::Empty { path: self.path.clone() })?;
        let header = Header { kid: Some(key.kid.clone()), ..Header::new(Algorithm::HS256) };
        encode(&header, &claims, &EncodingKey::from_secret(&key.secret)).map_err(KeysError::Sign)
    }

    /// The `jti` of a token that was signed here and is valid now.
    pub(crate) fn read(&self, token: &str, now: Moment) -> Result<String, TokenWrong> {
        let not_ours = |_| TokenWrong::NotOurs;
        if token.len() > MAX_CHARS {
            return Err(TokenWrong::NotOurs);
        }
        let header = decode_header(token).map_err(not_ours)?;
        if header.alg != Algorithm::HS256 || header.crit.is_some() {
            return Err(TokenWrong::NotOurs);
        }
        let key = self.key(header.kid.as_deref().unwrap_or_default()).ok_or(TokenWrong::NotOurs)?;
        let mut asked = Validation::new(Algorithm::HS256);
        asked.set_required_spec_claims(&["iss", "aud", "sub", "nbf", "exp"]);
        asked.set_issuer(&[ISSUER]);
        asked.set_audience(&[AUDIENCE]);
        // The library would use the machine's clock; the shop's own is checked below.
        asked.validate_exp = false;
        let claims = decode::<Claims>(token, &DecodingKey::from_secret(&key.secret), &asked);
        let claims = claims.map_err(not_ours)?.claims;
        let now = seconds(now);
        if claims.exp <= now {
            return Err(TokenWrong::Over);
        }
        if claims.nbf > now + LEEWAY_SECONDS {
            return Err(TokenWrong::Early);
        }
        Ok(claims.jti)
    }

    fn key(&self, kid: &str) -> Option<Key> {
        if !file::is_kid(kid) {
            return None;
        }
        self.current().keys.iter().find(|key| key.kid == kid).cloned()
    }
}

/// Whole seconds since 1970 (RFC 7519, 2: `NumericDate`).
fn seconds(moment: Moment) -> i64 {
    moment.millis().div_euclid(1000)
}

/// Random bytes as text.
fn text(bytes: &[u8]) -> String {
    URL_SAFE_NO_PAD.encode(bytes)
}

#[cfg(test)]
mod tests;
