//! A session's form token as pages show it: never the same twice.
//!
//! Pages are compressed, and some of them repeat parts of their address. Somebody who can make a browser send
//! requests and can watch the connection could guess a secret from the lengths of many such pages if it were
//! the same in all of them (the BREACH attack; Prado, Harris, Gluck 2013). So each page masks its token
//! differently: a guess from one page's length says nothing about the next.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use subtle::ConstantTimeEq;

/// The token under a new mask: as many random bytes as it has, combined by exclusive or.
pub(crate) fn masked(token: &str) -> String {
    let mut shown = vec![0; token.len()];
    crate::security::random::fill(&mut shown);
    for (at, byte) in token.bytes().enumerate() {
        shown.push(shown[at] ^ byte);
    }
    URL_SAFE_NO_PAD.encode(shown)
}

/// Whether this is the token under some mask. Malformed text is no session's token.
pub(crate) fn is_of(shown: &str, token: &str) -> bool {
    let Ok(bytes) = URL_SAFE_NO_PAD.decode(shown) else { return false };
    let (mask, rest) = bytes.split_at(bytes.len() / 2);
    let found: Vec<u8> = rest.iter().zip(mask).map(|(a, b)| a ^ b).collect();
    // The time must not show where they differ (OWASP ASVS 5.0.0, 11.2.4).
    rest.len() == mask.len() && found.ct_eq(token.as_bytes()).into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn it_is_shown_differently_each_time_and_known_each_time() {
        let shown: HashSet<String> = (0..1000).map(|_| masked("t0ken")).collect();
        assert_eq!(shown.len(), 1000);
        assert!(shown.iter().all(|text| is_of(text, "t0ken")));
    }

    #[test]
    fn nothing_else_is_it() {
        let check = |shown: &str, token: &str, expected: bool| {
            assert_eq!(is_of(shown, token), expected, "{shown} {token}");
        };
        check("", "", true);
        check("", "t0ken", false);
        check("t0ken", "t0ken", false);
        check(&masked("t0keN"), "t0ken", false);
        check(&masked("t0ken0"), "t0ken", false);
        check(&masked("t0ken"), "", false);
        check(&format!("{}A", masked("t0ken")), "t0ken", false);
        check(&URL_SAFE_NO_PAD.encode("three"), "t0ken", false);
        check("not base64!", "t0ken", false);
    }
}
