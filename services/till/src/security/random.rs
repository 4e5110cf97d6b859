//! Random values, from the operating system.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use domain::certificate::{self, CertificateNumber};

/// Bytes in a value that nobody may guess: 192 bits, above the 128 that OWASP ASVS 5.0.0, 7.2.3 and 11.5.1
/// require.
const BYTES: usize = 24;

/// A value that nobody can guess, 32 characters of base64url.
///
/// # Panics
///
/// If the operating system provides no randomness: nothing would be safe then.
pub fn text() -> String {
    let mut bytes = [0; BYTES];
    fill(&mut bytes);
    URL_SAFE_NO_PAD.encode(bytes)
}

/// The number of a new gift certificate.
///
/// # Panics
///
/// As [`text`] does.
pub fn certificate_number() -> CertificateNumber {
    CertificateNumber::draw(|| {
        let mut bytes = [0; certificate::RANDOM_BYTES];
        fill(&mut bytes);
        bytes
    })
}

/// Fills a buffer with bytes that nobody can guess.
///
/// # Panics
///
/// As [`text`] does.
pub(crate) fn fill(bytes: &mut [u8]) {
    getrandom::fill(bytes).expect("the operating system's randomness");
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    // OWASP ASVS 5.0.0, 7.2.3.
    #[test]
    fn ten_thousand_differ_and_are_long_enough() {
        let texts: HashSet<String> = (0..10_000).map(|_| super::text()).collect();
        assert_eq!(texts.len(), 10_000);
        assert!(texts.iter().all(|t| t.len() >= 22));
    }
}
