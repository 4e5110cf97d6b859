//! Passwords and PINs: which may be chosen, and how they are hashed and checked.
//!
//! Argon2id with 19 MiB, two passes and one lane (OWASP Password Storage cheat sheet; OWASP ASVS
//! 5.0.0, appendix C), kept as PHC strings. Each takes its memory while it is computed, so few are at once.

mod common;

use crate::problem::{Kind, Problem};
use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, PasswordHasher, PasswordVerifier, Version};
use domain::text;
use ledger::Phc;
use tokio::sync::Semaphore;

/// KiB of memory, passes, lanes.
const MEMORY: u32 = 19_456;
const PASSES: u32 = 2;
const LANES: u32 = 1;
/// Bytes of a salt (RFC 9106, 3.1).
const SALT_BYTES: usize = 16;
/// Hashes computed at once: 2 × 19 MiB, and never all cores of a small machine.
const AT_ONCE: usize = 2;
/// The least characters of a password (OWASP ASVS 5.0.0, 6.2.1; NIST SP 800-63B, 5.1.1.2).
const LEAST_CHARS: usize = 8;
/// The most bytes: far above the 64 characters that must be allowed, far below what takes time.
const MOST_BYTES: usize = 1024;
/// Digits of a PIN: it opens on an enrolled device alone, and tries are counted.
const PIN_DIGITS: std::ops::RangeInclusive<usize> = 4..=12;
/// What a password is checked against if there is no such person, so that it takes as long.
const NOBODYS: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

/// Why a password or PIN cannot be had.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WeakSecret {
    /// Too short.
    #[error(
        "a password has at least {LEAST_CHARS} characters; a few words in a row are easy to keep in mind"
    )]
    Short,
    /// Too long.
    #[error("a password has at most {MOST_BYTES} bytes")]
    Long,
    /// Among the first that are guessed.
    #[error(
        "this is among the first passwords that are guessed; choose another, such as a few words in a row"
    )]
    Common,
    /// The name is known to all.
    #[error("a password may not be the name")]
    Name,
    /// Not digits, or too few or many.
    #[error("a PIN has 4 to 12 digits")]
    Pin,
    /// Among the first that are guessed.
    #[error("this PIN is among the first that are guessed; choose another")]
    CommonPin,
}

/// Checks a password that somebody chooses, as it came: nothing is trimmed, folded or cut off.
pub fn check_password(password: &str, name: &str) -> Result<(), WeakSecret> {
    if password.len() > MOST_BYTES {
        return Err(WeakSecret::Long);
    }
    if password.chars().count() < LEAST_CHARS {
        return Err(WeakSecret::Short);
    }
    if text::fold(password.trim()) == text::fold(name.trim()) {
        return Err(WeakSecret::Name);
    }
    if common::is_common(password) { Err(WeakSecret::Common) } else { Ok(()) }
}

/// Checks a PIN that somebody chooses.
pub(crate) fn check_pin(pin: &str) -> Result<(), WeakSecret> {
    if !PIN_DIGITS.contains(&pin.len()) || !pin.bytes().all(|b| b.is_ascii_digit()) {
        return Err(WeakSecret::Pin);
    }
    if common::is_run(pin) { Err(WeakSecret::CommonPin) } else { Ok(()) }
}

fn argon2() -> Argon2<'static> {
    // These very values are among those that the library allows; the tests say so.
    let params = Params::new(MEMORY, PASSES, LANES, None).unwrap_or(Params::DEFAULT);
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// Hashes a secret that was checked. It takes some 20 ms; within a service, ask its keeper, `Secrets`.
///
/// # Panics
///
/// If the operating system has no randomness to give: nothing is safe then.
pub fn hash(secret: &str) -> Option<Phc> {
    let mut salt = [0; SALT_BYTES];
    getrandom::fill(&mut salt).expect("the operating system's randomness");
    let hash: PasswordHash = argon2().hash_password_with_salt(secret.as_bytes(), &salt).ok()?;
    Phc::new(hash.to_string()).ok()
}

/// Whether a secret is that of a hash, and whether the hash is weaker than today's.
fn verify(secret: &str, phc: &str) -> (bool, bool) {
    let Ok(hash) = PasswordHash::new(phc) else { return (false, false) };
    let right = Argon2::default().verify_password(secret.as_bytes(), &hash).is_ok();
    let is_weak = Params::try_from(&hash).is_ok_and(|p| p.m_cost() < MEMORY || p.t_cost() < PASSES);
    (right, is_weak)
}

/// Whether a secret is that of a hash. It takes some 20 ms; within a service, ask its keeper, `Secrets`.
pub fn is_hash_of(kept: &Phc, secret: &str) -> bool {
    verify(secret, kept.as_str()).0
}

/// What a check came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Checked {
    /// Whether it was right.
    pub(crate) right: bool,
    /// The secret hashed as it would be today, if the hash that is kept is weaker.
    pub(crate) stronger: Option<Phc>,
}

/// Hashes and checks, few at once.
#[derive(Debug)]
pub(crate) struct Secrets {
    gate: Semaphore,
}

impl Secrets {
    pub(crate) fn new() -> Self {
        Self { gate: Semaphore::new(AT_ONCE) }
    }

    /// Hashes a secret that was checked.
    pub(crate) async fn hash(&self, secret: &str) -> Result<Phc, Problem> {
        let secret = secret.to_owned();
        let hashed = self.work(move || hash(&secret)).await?;
        hashed.ok_or_else(|| Problem::new(Kind::Trouble, "the password could not be hashed"))
    }

    /// Checks a secret against what is kept of it; of nobody's, it is wrong, and takes as long.
    pub(crate) async fn check(&self, secret: &str, kept: Option<&Phc>) -> Result<Checked, Problem> {
        if secret.len() > MOST_BYTES {
            return Ok(Checked { right: false, stronger: None });
        }
        let is_somebodys = kept.is_some();
        let phc = kept.map_or(NOBODYS, Phc::as_str).to_owned();
        let secret = secret.to_owned();
        self.work(move || {
            let (matches, is_weak) = verify(&secret, &phc);
            let right = matches && is_somebodys;
            Checked { right, stronger: if right && is_weak { hash(&secret) } else { None } }
        })
        .await
    }

    async fn work<T: Send + 'static>(&self, work: impl FnOnce() -> T + Send + 'static) -> Result<T, Problem> {
        let trouble = || Problem::new(Kind::Trouble, "the password could not be looked at");
        let _turn = self.gate.acquire().await.map_err(|_| trouble())?;
        tokio::task::spawn_blocking(work).await.map_err(|error| trouble().because(&error))
    }
}

#[cfg(test)]
mod tests;
