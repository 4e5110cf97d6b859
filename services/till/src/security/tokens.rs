//! Tokens of programs: JSON Web Tokens (RFC 7519), signed by keys that lie outside the database.
//!
//! A token only says which row of the shop's list it is (`jti`); what it may is read there, at each
//! request. RFC 8725's advice is kept: one algorithm, named here and never by the token; keys of
//! random bytes, found by `kid` in our own file alone; issuer, audience and times are checked.

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

/// Who issues the tokens.
const ISSUER: &str = "fleecefold";
/// Whom they are for.
const AUDIENCE: &str = "fleecefold-api";
/// The longest token that is looked at: ours have about 400 characters.
const MAX_CHARS: usize = 4096;
/// Clocks of two processes of one shop may differ so much.
const LEEWAY_SECONDS: i64 = 5;

/// What a token says.
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

/// Why a token is not taken. The words tell its owner what to do and an attacker nothing new.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum TokenWrong {
    /// Its time is over.
    #[error("the token has expired")]
    Over,
    /// Its time has not come.
    #[error("the token is not valid yet; check this computer's clock")]
    Early,
    /// Anything else.
    #[error("the token does not belong to this shop")]
    NotOurs,
}

/// By what it is seen that a file was changed or another one stands in its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    modified: Option<SystemTime>,
    length: u64,
    inode: u64,
}

impl Stamp {
    /// None if the file cannot be looked at.
    fn of(path: &Path) -> Option<Self> {
        let found = std::fs::metadata(path).ok()?;
        #[cfg(unix)]
        let inode = std::os::unix::fs::MetadataExt::ino(&found);
        #[cfg(not(unix))]
        let inode = 0;
        Some(Self { modified: found.modified().ok(), length: found.len(), inode })
    }
}

/// The keys as they were read, and of which state of the file.
#[derive(Debug)]
struct Loaded {
    keys: Vec<Key>,
    stamp: Option<Stamp>,
}

/// The keys that sign and verify: the newest signs, all verify. Another process may add one, and the
/// owner may take one out of the file: both are noticed at the next token.
#[derive(Debug)]
pub struct TokenKeys {
    path: PathBuf,
    loaded: RwLock<Loaded>,
}

impl TokenKeys {
    /// Those of a file, which is made with a first key if it is missing.
    pub fn open(path: &Path) -> Result<Self, KeysError> {
        hs256::install();
        let keys = file::open(path)?;
        // No stamp yet: the file may have changed since, so the first token looks again.
        Ok(Self { path: path.to_owned(), loaded: RwLock::new(Loaded { keys, stamp: None }) })
    }

    fn loaded(&self) -> RwLockReadGuard<'_, Loaded> {
        self.loaded.read().unwrap_or_else(PoisonError::into_inner)
    }

    /// The keys as the file has them now. While it cannot be read there are none: a key that was taken
    /// away must not go on opening the shop.
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

    /// Adds a key, which signs from now on; what the others signed stays good.
    pub fn rotate(&self) -> Result<(), KeysError> {
        file::rotate(&self.path)?;
        Ok(())
    }

    /// Signs the token of a row: `jti`, its name, from when until when.
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

    /// The `jti` of a token that was signed here and may be used now.
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
        // The library reads the machine's clock; the shop's own is asked below.
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

    /// A key by its name.
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
