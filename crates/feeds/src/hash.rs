//! SHA-256 of files and rows, in hex.

use sha2::{Digest, Sha256};
use std::io::{self, Read};

/// The SHA-256 of some bytes, in hex.
pub(crate) fn of_bytes(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}

/// The SHA-256 of everything the reader returns, in hex: it tells whether a file was fed before.
pub fn file_hash(mut reader: impl Read) -> io::Result<String> {
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 64 << 10];
    loop {
        match reader.read(&mut buffer) {
            Ok(0) => return Ok(hex::encode(hasher.finalize())),
            Ok(n) => hasher.update(&buffer[..n]),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}
