//! SHA-256 of files and rows, as hex.

use sha2::{Digest, Sha256};
use std::io::{self, Read};

/// A digest as small hex digits. By hand: a feed of many listings has a digest for each.
pub fn hex(digest: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let digit = |nibble: u8| char::from(DIGITS[usize::from(nibble & 0xf)]);
    digest.iter().flat_map(|byte| [digit(byte >> 4), digit(*byte)]).collect()
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
