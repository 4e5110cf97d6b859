//! The file of the keys: a JSON Web Key Set (RFC 7517) that only its owner can read.

use super::{Key, text};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::{Deserialize, Serialize};
use std::fs::{self, OpenOptions};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

/// Bytes of a key: as many as the hash has (RFC 7518, 3.2).
const KEY_BYTES: usize = 32;
/// Bytes of a key's name.
const KID_BYTES: usize = 9;
/// The most keys in a file; the owner removes an old one by editing the file.
const MAX_KEYS: usize = 32;

/// Why the keys cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum KeysError {
    /// The file cannot be read or written.
    #[error("the file of the token keys, {}, cannot be {done}", path.display())]
    File {
        path: PathBuf,
        /// `read` or `written`.
        done: &'static str,
        #[source]
        source: io::Error,
    },
    /// It is not a key set.
    #[error("{} is not a file of token keys; name another one with --keys, or move it away", path.display())]
    NotKeys {
        path: PathBuf,
        #[source]
        source: Option<serde_json::Error>,
    },
    /// Others can read it, and could sign tokens with it.
    #[error("{} can be read by others than its owner; close it with chmod 600", path.display())]
    Open { path: PathBuf },
    #[error("there is no key in {}; move it away to have a new one made", path.display())]
    Empty { path: PathBuf },
    /// It holds as many keys as it may.
    #[error("there are {MAX_KEYS} keys in {} already; take the oldest out first", path.display())]
    Full { path: PathBuf },
    /// A token could not be signed.
    #[error("the token could not be signed")]
    Sign(#[source] jsonwebtoken::errors::Error),
}

/// RFC 7517, 5.
#[derive(Serialize, Deserialize)]
struct Set {
    keys: Vec<Jwk>,
}

/// RFC 7517, 4; RFC 7518, 6.4.
#[derive(Serialize, Deserialize)]
struct Jwk {
    kty: String,
    #[serde(rename = "use")]
    usage: String,
    alg: String,
    kid: String,
    k: String,
}

impl From<&Key> for Jwk {
    fn from(key: &Key) -> Self {
        let of = |text: &str| text.to_owned();
        Self {
            kty: of("oct"),
            usage: of("sig"),
            alg: of("HS256"),
            kid: key.kid.clone(),
            k: text(&key.secret),
        }
    }
}

impl Jwk {
    fn key(self) -> Option<Key> {
        let secret = URL_SAFE_NO_PAD.decode(&self.k).ok()?;
        let fits = self.kty == "oct" && self.alg == "HS256" && secret.len() >= KEY_BYTES && is_kid(&self.kid);
        fits.then_some(Key { kid: self.kid, secret })
    }
}

/// Whether it can be a key's name: short, and of characters that need no escaping.
pub(super) fn is_kid(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b))
}

/// # Panics
///
/// If the operating system provides no randomness: nothing would be safe then.
fn new_key() -> Key {
    let (mut name, mut secret) = ([0; KID_BYTES], vec![0; KEY_BYTES]);
    for bytes in [name.as_mut_slice(), secret.as_mut_slice()] {
        getrandom::fill(bytes).expect("the operating system's randomness");
    }
    Key { kid: text(&name), secret }
}

fn trouble(path: &Path, done: &'static str) -> impl Fn(io::Error) -> KeysError {
    move |source| KeysError::File { path: path.to_owned(), done, source }
}

/// The keys of a file, which is created if missing. If two processes create it at once, one of them
/// succeeds.
pub(super) fn open(path: &Path) -> Result<Vec<Key>, KeysError> {
    match read(path) {
        Err(KeysError::File { source, .. }) if source.kind() == ErrorKind::NotFound => {}
        read => return read,
    }
    let beside = write_beside(path, &[new_key()])?;
    let linked = fs::hard_link(&beside, path);
    // The temporary file is no longer needed, whether ours or the other's was kept.
    let _ = fs::remove_file(&beside);
    match linked {
        Err(error) if error.kind() != ErrorKind::AlreadyExists => Err(trouble(path, "written")(error)),
        _ => read(path),
    }
}

/// Adds a key at the end.
pub(super) fn rotate(path: &Path) -> Result<Vec<Key>, KeysError> {
    let mut keys = open(path)?;
    if keys.len() >= MAX_KEYS {
        return Err(KeysError::Full { path: path.to_owned() });
    }
    keys.push(new_key());
    let beside = write_beside(path, &keys)?;
    fs::rename(&beside, path).map_err(trouble(path, "written"))?;
    Ok(keys)
}

/// Reads the keys; refuses a file that others can read.
pub(super) fn read(path: &Path) -> Result<Vec<Key>, KeysError> {
    let bytes = fs::read(path).map_err(trouble(path, "read"))?;
    refuse_if_open(path)?;
    let wrong = |source| KeysError::NotKeys { path: path.to_owned(), source };
    let set: Set = serde_json::from_slice(&bytes).map_err(|e| wrong(Some(e)))?;
    let keys: Option<Vec<Key>> = set.keys.into_iter().map(Jwk::key).collect();
    let keys = keys.ok_or_else(|| wrong(None))?;
    if keys.is_empty() { Err(KeysError::Empty { path: path.to_owned() }) } else { Ok(keys) }
}

/// The permission bits of the group and of others.
#[cfg(unix)]
const OTHERS: u32 = 0o077;

#[cfg(unix)]
fn refuse_if_open(path: &Path) -> Result<(), KeysError> {
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(path).map_err(trouble(path, "read"))?.permissions().mode();
    if mode & OTHERS == 0 { Ok(()) } else { Err(KeysError::Open { path: path.to_owned() }) }
}

#[cfg(not(unix))]
fn refuse_if_open(_: &Path) -> Result<(), KeysError> {
    Ok(())
}

/// Writes the keys into a file next to the real one, whole and on disk, readable for its owner only.
fn write_beside(path: &Path, keys: &[Key]) -> Result<PathBuf, KeysError> {
    let wrong = trouble(path, "written");
    let mut name = path.as_os_str().to_owned();
    name.push(format!(".{}", crate::security::random::text()));
    let beside = PathBuf::from(name);
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let set = Set { keys: keys.iter().map(Jwk::from).collect() };
    // A set of strings always serializes.
    let bytes = serde_json::to_vec_pretty(&set).unwrap_or_default();
    let mut file = options.open(&beside).map_err(&wrong)?;
    file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(&wrong)?;
    Ok(beside)
}
