//! What a file's first bytes tell: byte order mark, encoding, delimiter.

use crate::layout::{Delimiter, Encoding};
use crate::reject::FeedError;

const BOM: &[u8] = b"\xef\xbb\xbf";
/// Both UTF-16 marks; UTF-32's begins with the first.
const UTF16: [&[u8]; 2] = [b"\xff\xfe", b"\xfe\xff"];

/// How compressed files and workbooks begin, and what they are called: RFC 1952, 2.3.1; PKWARE's
/// APPNOTE.TXT, 4.3.7; the .xz file format 1.2.0, 2.1.1.1; RFC 8878, 3.1.1; [MS-CFB], 2.2. bzip2 has no
/// standard; its `BZh` is from memory of its manual.
const PACKED: [(&[u8], &str); 6] = [
    (b"\x1f\x8b", "compressed with gzip"),
    (b"PK\x03\x04", "a ZIP archive, as .xlsx and .ods workbooks are"),
    (b"\xfd7zXZ\0", "compressed with xz"),
    (b"\x28\xb5\x2f\xfd", "compressed with zstd"),
    (b"BZh", "compressed with bzip2"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old workbook (.xls)"),
];

/// The kind of compressed file, if it is one.
pub fn compressed(start: &[u8]) -> Option<&'static str> {
    PACKED.iter().find(|(magic, _)| start.starts_with(magic)).map(|(_, kind)| *kind)
}

/// The length of a UTF-8 byte order mark; refuses UTF-16 and files that are not text.
pub(crate) fn mark(start: &[u8]) -> Result<usize, FeedError> {
    if let Some(kind) = compressed(start) {
        return Err(FeedError::Compressed { kind });
    }
    if UTF16.iter().any(|m| start.starts_with(m)) {
        return Err(FeedError::Utf16);
    }
    Ok(if start.starts_with(BOM) { BOM.len() } else { 0 })
}

/// The encoding so far. One damaged character does not turn a UTF-8 file into Windows-1252: the more
/// common kind of byte sequence wins.
pub(crate) fn encoding(start: &[u8]) -> Encoding {
    if start.is_ascii() {
        return Encoding::Ascii;
    }
    let (mut good, mut bad) = (0_usize, 0_usize);
    let mut rest = start;
    loop {
        match std::str::from_utf8(rest) {
            Ok(text) => {
                good += text.chars().filter(|c| !c.is_ascii()).count();
                break;
            }
            Err(e) => {
                let (valid, broken) = rest.split_at(e.valid_up_to());
                good += valid.iter().filter(|b| **b >= 0xc0).count();
                // A sequence that is cut off by the end of the window counts as neither.
                let Some(length) = e.error_len() else { break };
                bad += 1;
                rest = &broken[length..];
            }
        }
    }
    if good > bad || bad == 0 { Encoding::Utf8 } else { Encoding::Windows1252 }
}

/// The delimiter that is most frequent in the first row that is not empty; a comma if it has none of
/// the three.
pub(crate) fn delimiter(start: &[u8]) -> Delimiter {
    let mut counts = [(b',', 0_usize), (b';', 0), (b'\t', 0)];
    let (mut quoted, mut empty) = (false, true);
    for byte in start {
        empty &= byte.is_ascii_whitespace() && *byte != b'\t';
        match byte {
            b'"' => quoted = !quoted,
            b'\n' | b'\r' if !quoted && empty => {}
            b'\n' | b'\r' if !quoted => break,
            _ if quoted => {}
            _ => counts.iter_mut().filter(|(d, _)| d == byte).for_each(|(_, n)| *n += 1),
        }
    }
    let most = counts.iter().map(|(_, n)| *n).max().unwrap_or(0);
    let best = counts.into_iter().find(|(_, n)| *n == most).map_or(b',', |(d, _)| d);
    Delimiter::One(best)
}
