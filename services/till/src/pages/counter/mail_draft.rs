//! A link to a draft in the person's own mail program (RFC 6068). The program itself sends no mail.

use std::fmt::Write;

/// The longest link: some systems cut longer ones when they start a mail program (common practice, no source).
const MAX_LINK_CHARS: usize = 2000;

/// A link with the first of the bodies with which it is short enough, otherwise with the last.
pub(crate) fn mail_draft(subject: &str, bodies: impl Iterator<Item = String>) -> String {
    let mut link = String::new();
    for body in bodies {
        link = format!("mailto:?subject={}&body={}", encoded(subject), encoded(&body));
        if link.len() <= MAX_LINK_CHARS {
            break;
        }
    }
    link
}

/// Percent-encoded, with line breaks as RFC 6068, section 5, has them.
fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len() * 2);
    for byte in text.replace('\n', "\r\n").bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => out.push(char::from(byte)),
            // Writing to a String cannot fail.
            byte => {
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_draft_is_encoded_and_has_as_much_as_fits() {
        let draft = |bodies: &[String]| mail_draft("Receipt 7 & more", bodies.iter().cloned());
        assert_eq!(
            draft(&["Hat: $4.15\n6 × 2".to_owned()]),
            "mailto:?subject=Receipt%207%20%26%20more&body=Hat%3A%20%244.15%0D%0A6%20%C3%97%202"
        );
        let (long, short) = ("x".repeat(MAX_LINK_CHARS), "short".to_owned());
        assert!(draft(&[long.clone(), short.clone()]).ends_with("body=short"));
        assert!(draft(&[short.clone(), long.clone()]).ends_with("body=short"));
        assert!(draft(&[long.clone(), long]).len() > MAX_LINK_CHARS);
    }
}
