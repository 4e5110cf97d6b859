//! Keeps a spreadsheet from running a text cell as a formula (OWASP CSV Injection; ASVS 5.0.0, 1.2.10:
//! both lists together), and removes the guard when reading.

use std::borrow::Cow;

/// First characters that make a spreadsheet calculate or a parser fail.
const DANGEROUS: [u8; 8] = *b"=+-@\t\r\n\0";

/// Quotes followed by a dangerous character: this is how a guarded text looks, so a text that looks
/// like it must be guarded once more to come back unchanged.
fn looks_guarded(text: &str) -> bool {
    let bare = text.trim_start_matches('\'');
    bare.len() < text.len() && bare.bytes().next().is_some_and(|b| DANGEROUS.contains(&b))
}

/// Puts a `'` before a text that a spreadsheet would take for a formula. Only for text: a number below
/// 0 looks like one too.
pub fn guard(text: &str) -> Cow<'_, str> {
    match text.bytes().next() {
        Some(b'\'') if looks_guarded(text) => Cow::Owned(format!("'{text}")),
        Some(first) if DANGEROUS.contains(&first) => Cow::Owned(format!("'{text}")),
        _ => Cow::Borrowed(text),
    }
}

/// Removes the `'` that [`guard`] added.
pub(crate) fn unguard(text: &str) -> &str {
    if looks_guarded(text) { &text[1..] } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn guards_formulas_and_gives_the_text_back() {
        let check = |text: &str, expected: &str| {
            assert_eq!(guard(text), expected, "{text:?}");
            assert_eq!(unguard(&guard(text)), text, "{text:?} did not come back");
        };
        // The first two are OWASP's published examples before quoting; the others are our own.
        for (text, expected) in [
            ("=1+2\";=1+2", "'=1+2\";=1+2"),
            ("=1+2'\" ;,=1+2", "'=1+2'\" ;,=1+2"),
            ("@felt", "'@felt"),
            ("+44 20", "'+44 20"),
            ("\tx", "'\tx"),
            ("\rx", "'\rx"),
            ("\nx", "'\nx"),
            ("\0", "'\0"),
            ("-Birch", "'-Birch"),
            ("a=b", "a=b"),
            ("", ""),
            ("'twas", "'twas"),
            ("'", "'"),
            ("'=x", "''=x"),
            ("''-x", "'''-x"),
        ] {
            check(text, expected);
        }
    }
}
