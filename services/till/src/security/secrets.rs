//! Passwords and PINs: which are accepted, and how they are hashed and verified.
//!
//! Argon2id with 19 MiB, two passes and one lane (OWASP Password Storage cheat sheet; OWASP ASVS 5.0.0,
//! appendix C), stored as PHC strings.

mod common;
mod pins;
mod workers;

pub(crate) use pins::{check_pin, is_long_enough};
pub(crate) use workers::Lane;

use crate::problem::{Kind, Problem};
use argon2::password_hash::phc::{Output, PasswordHash};
use argon2::{Algorithm, Argon2, Params, Version};
use base64::Engine;
use base64::engine::general_purpose::STANDARD_NO_PAD;
use domain::text;
use ledger::people::Phc;
use workers::{Full, Memory, Workers};

/// KiB of memory, passes, lanes.
const MEMORY: u32 = 19_456;
const PASSES: u32 = 2;
const LANES: u32 = 1;
/// Bytes of a salt (RFC 9106, 3.1).
const SALT_BYTES: usize = 16;
/// The most KiB that a stored hash may ask for: this program's hashes ask for [`MEMORY`], and a buffer is
/// kept.
const MOST_MEMORY: u32 = 64 * 1024;
/// The fewest characters of a password (OWASP ASVS 5.0.0, 6.2.1; NIST SP 800-63B, 5.1.1.2).
const LEAST_CHARS: usize = 8;
/// The most bytes: far above the 64 characters that must be accepted, and far below what takes long to
/// hash.
pub(crate) const MOST_BYTES: usize = 1024;
/// What a password is verified against if there is no such person, so that it takes as long.
const NOBODYS: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

/// Why a password or PIN is not accepted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WeakSecret {
    #[error("a password needs at least {LEAST_CHARS} characters; a few words in a row are easy to remember")]
    Short,
    #[error("a password can have at most {MOST_BYTES} bytes")]
    Long,
    /// On a list of common passwords, or a simple pattern.
    #[error("this password is easy to guess; choose another, such as a few words in a row")]
    Common,
    /// The same as the person's name, which is public.
    #[error("the password must not be the name")]
    Name,
    /// Not digits, or too few or many.
    #[error("a PIN needs 4 to 12 digits")]
    Pin,
    /// Too few or many digits for an owner.
    #[error("an owner’s PIN needs 6 to 12 digits")]
    OwnersPin,
    /// One of the first that anybody would guess.
    #[error("this PIN is easy to guess (a repeat, sequence, year or date); choose another")]
    CommonPin,
}

/// Checks a password that somebody chooses, exactly as typed: nothing is trimmed, folded or cut off.
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

fn argon2() -> Argon2<'static> {
    // These values are within the library's limits; the tests prove it.
    let params = Params::new(MEMORY, PASSES, LANES, None).unwrap_or(Params::DEFAULT);
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// Hashes a secret that was checked. Takes about 20 ms; within a service, use `Secrets` instead.
///
/// # Panics
///
/// If the operating system provides no randomness: nothing would be safe then.
pub fn hash(secret: &str) -> Option<Phc> {
    hash_in(&mut Memory::default(), secret)
}

fn hash_in(memory: &mut Memory, secret: &str) -> Option<Phc> {
    let mut salt = [0; SALT_BYTES];
    crate::security::random::fill(&mut salt);
    let argon2 = argon2();
    let mut out = [0; Params::DEFAULT_OUTPUT_LEN];
    let blocks = memory.blocks(argon2.params().block_count());
    argon2.hash_password_into_with_memory(secret.as_bytes(), &salt, &mut out, blocks).ok()?;
    let (salt, out) = (STANDARD_NO_PAD.encode(salt), STANDARD_NO_PAD.encode(out));
    Phc::new(format!("$argon2id$v=19$m={MEMORY},t={PASSES},p={LANES}${salt}${out}")).ok()
}

/// Whether a secret matches a hash, and whether the hash is weaker than today's.
fn verify(secret: &str, phc: &str) -> (bool, bool) {
    verify_in(&mut Memory::default(), secret, phc).unwrap_or((false, false))
}

/// None if the text is not a hash that can be verified.
fn verify_in(memory: &mut Memory, secret: &str, phc: &str) -> Option<(bool, bool)> {
    let hash = PasswordHash::new(phc).ok()?;
    let (salt, expected) = (hash.salt?, hash.hash?);
    let params = Params::try_from(&hash).ok().filter(|p| p.m_cost() <= MOST_MEMORY)?;
    let is_weak = params.m_cost() < MEMORY || params.t_cost() < PASSES;
    let algorithm = Algorithm::try_from(hash.algorithm.as_str()).ok()?;
    let version = hash.version.map_or(Ok(Version::default()), Version::try_from).ok()?;
    let argon2 = Argon2::new(algorithm, version, params);
    let mut out = vec![0; expected.len()];
    let blocks = memory.blocks(argon2.params().block_count());
    argon2.hash_password_into_with_memory(secret.as_bytes(), &salt, &mut out, blocks).ok()?;
    // The type compares in constant time.
    Some((Output::new(&out).ok()? == expected, is_weak))
}

/// Whether a secret matches a hash. Takes about 20 ms; within a service, use `Secrets` instead.
pub fn is_hash_of(kept: &Phc, secret: &str) -> bool {
    verify(secret, kept.as_str()).0
}

/// The result of verifying a secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Checked {
    pub(crate) right: bool,
    /// The secret hashed with today's parameters, if the stored hash is weaker.
    pub(crate) stronger: Option<Phc>,
}

/// Hashes and verifies on threads of its own ([`workers`]).
#[derive(Debug)]
pub(crate) struct Secrets {
    workers: Workers,
}

impl Secrets {
    pub(crate) fn new() -> Self {
        Self { workers: Workers::new() }
    }

    /// Hashes a secret that was checked, for somebody who is signed in.
    pub(crate) async fn hash(&self, secret: &str) -> Result<Phc, Problem> {
        let secret = secret.to_owned();
        let hashed = self.work(Lane::Known, move |memory| hash_in(memory, &secret)).await?;
        hashed.ok_or_else(|| Problem::new(Kind::StorageError, "the password could not be hashed"))
    }

    /// Verifies a secret against the stored hash. Without one the result is wrong, but takes as long.
    pub(crate) async fn check(
        &self,
        secret: &str,
        kept: Option<&Phc>,
        lane: Lane,
    ) -> Result<Checked, Problem> {
        if secret.len() > MOST_BYTES {
            return Ok(Checked { right: false, stronger: None });
        }
        let is_somebodys = kept.is_some();
        let phc = kept.map_or(NOBODYS, Phc::as_str).to_owned();
        let secret = secret.to_owned();
        self.work(lane, move |memory| {
            let (matches, is_weak) = verify_in(memory, &secret, &phc).unwrap_or((false, false));
            let right = matches && is_somebodys;
            Checked { right, stronger: if right && is_weak { hash_in(memory, &secret) } else { None } }
        })
        .await
    }

    /// Refuses while the queue is full, before an attempt is counted that nobody would look at.
    pub(crate) fn require_room(&self, lane: Lane) -> Result<(), Problem> {
        if self.workers.has_room(lane) { Ok(()) } else { Err(busy()) }
    }

    async fn work<T: Send + 'static>(
        &self,
        lane: Lane,
        work: impl FnOnce(&mut Memory) -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let answer = self.workers.ask(lane, work).map_err(|Full| busy())?;
        let trouble = || Problem::new(Kind::StorageError, "the password could not be checked");
        answer.await.map_err(|error| trouble().because(&error))
    }
}

fn busy() -> Problem {
    let words = "too many passwords are being checked at the moment; try again in a second";
    Problem::new(Kind::TooOften, words).wait(1)
}

#[cfg(test)]
mod tests;
