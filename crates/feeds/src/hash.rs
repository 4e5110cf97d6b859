//! SHA-256 of files and rows, as hex.

use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::io::{self, Read};

/// A digest as small hex digits.
pub(crate) fn hex(digest: &[u8]) -> String {
    digest.iter().fold(String::with_capacity(digest.len() * 2), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// The SHA-256 of some bytes.
pub(crate) fn of_bytes(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// The SHA-256 of everything that the reader gives: what tells whether a file was fed before.
pub fn file_hash(mut reader: impl Read) -> io::Result<String> {
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 64 << 10];
    loop {
        match reader.read(&mut buffer) {
            Ok(0) => return Ok(hex(&hasher.finalize())),
            Ok(n) => hasher.update(&buffer[..n]),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}
