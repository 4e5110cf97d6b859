//! SHA-256 in hex, by which files are named after their contents.

use sha2::{Digest, Sha256};
use std::fmt::Write;

pub(crate) fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().fold(String::with_capacity(64), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    // FIPS 180-4's example "abc", from its published examples.
    #[test]
    fn it_is_written_in_small_letters() {
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(super::sha256(b"abc"), expected);
    }
}
