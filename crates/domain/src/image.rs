//! What an item may name as its image: a public address, or the plain name of a file in the shop's
//! folder.
//!
//! The name goes into feeds, pages and paths, so it must lead nowhere else: no folder, no parent, no
//! other scheme, nothing hidden (OWASP ASVS 5.0.0, 1.2.2 and 5.3.2).

/// The longest file name, in bytes: the `NAME_MAX` of common systems (POSIX.1-2024).
const MAX_NAME_BYTES: usize = 255;
/// Separates several images in a feed.
const SEPARATOR: char = '|';
/// What a file name must not contain: separators of folders and drives, and characters with a meaning
/// in a shell or a spreadsheet.
const NOT_IN_NAMES: [char; 9] = ['/', '\\', ':', '*', '?', '"', '<', '>', SEPARATOR];

/// What is wrong with an image's name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ImageError {
    /// A file name that leads out of the folder, or is hidden.
    #[error(
        "write the plain name of a file, such as cowl.jpg, without a folder, or an address that begins with https://"
    )]
    NotAName,
    /// An address without a host, or with a secret in it.
    #[error(
        "the address of an image has a host and no spaces or quotes, such as https://farm.example/cowl.jpg"
    )]
    NotAnAddress,
    /// Longer than a file name can be.
    #[error("the name of a file has at most {MAX_NAME_BYTES} bytes")]
    TooLong,
}

/// Checks the name or address of an image.
pub fn checked(text: &str) -> Result<&str, ImageError> {
    match text.strip_prefix("https://").or_else(|| text.strip_prefix("http://")) {
        Some(rest) => address(text, rest),
        None => name(text),
    }
}

fn address<'a>(text: &'a str, rest: &str) -> Result<&'a str, ImageError> {
    let host = rest.split(['/', '?', '#']).next().unwrap_or_default();
    let is_plain =
        |c: char| !c.is_whitespace() && !c.is_control() && !matches!(c, '"' | '<' | '>' | '\\' | SEPARATOR);
    // What stands before an @ would be a password, or look like the host.
    if host.is_empty() || host.contains('@') || !text.chars().all(is_plain) {
        return Err(ImageError::NotAnAddress);
    }
    Ok(text)
}

fn name(text: &str) -> Result<&str, ImageError> {
    if text.len() > MAX_NAME_BYTES {
        return Err(ImageError::TooLong);
    }
    let is_plain = |c: char| !c.is_control() && !NOT_IN_NAMES.contains(&c);
    // A leading dot hides a file, and `.` and `..` are folders.
    if text.trim() != text || text.is_empty() || text.starts_with('.') || !text.chars().all(is_plain) {
        return Err(ImageError::NotAName);
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    // The first rows are the kinds of names in OWASP ASVS 5.0.0, 5.3.2; the others are our own.
    #[test]
    fn a_name_leads_nowhere_and_an_address_is_public() {
        let check = |text: &str, expected: Result<(), ImageError>| {
            assert_eq!(checked(text).map(drop), expected, "{text:?}");
        };
        let (name, address) = (Err(ImageError::NotAName), Err(ImageError::NotAnAddress));
        for text in ["../../etc/passwd", "..", ".", "/etc/passwd", "a\0.jpg", "..\\shop.db", "images/a.jpg"] {
            check(text, name);
        }
        for text in ["C:a.jpg", "javascript:alert(1)", "data:image/png;base64,AA==", "file:///etc/passwd"] {
            check(text, name);
        }
        for text in
            ["", " ", " a.jpg", "a.jpg ", ".hidden.jpg", "a\nb.jpg", "a<b.jpg", "a|b.jpg", "ftp://x/a.jpg"]
        {
            check(text, name);
        }
        for text in ["cowl.jpg", "mütze 1.jpg", "x.jpg.php", "cowl", "0a-640.jpg", "a'b.jpg", "-x.jpg"] {
            check(text, Ok(()));
        }
        check(&"a".repeat(255), Ok(()));
        check(&"a".repeat(256), Err(ImageError::TooLong));
        check("https://farm.example/cowl.jpg?w=1&h=2#x", Ok(()));
        check("http://farm.example/cowl.jpg", Ok(()));
        for text in [
            "https://",
            "https:///a.jpg",
            "https://a b/c.jpg",
            "https://a/\"x",
            "https://ann:pw@farm.example/a",
        ] {
            check(text, address);
        }
        check("HTTPS://farm.example/a.jpg", name);
    }
}
