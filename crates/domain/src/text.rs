//! Text that people type: bounded, printable, folded for search.

use unicode_normalization::{UnicodeNormalization, char::is_combining_mark};

/// Longest name or title, in characters.
pub const MAX_NAME_CHARS: usize = 200;
/// Longest description or note, in characters.
pub const MAX_NOTE_CHARS: usize = 10_000;

/// What is wrong with a text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TextError {
    /// Nothing where something is needed.
    #[error("this may not be empty")]
    Empty,
    /// Too long.
    #[error("this has more than {limit} characters")]
    TooLong {
        /// The most that is taken.
        limit: usize,
    },
    /// U+0000 or another control character than a tab or a line break.
    #[error("this holds a character that cannot be printed (U+{code:04X})")]
    NotPrintable {
        /// The character's number.
        code: u32,
    },
    /// A payment card's number.
    #[error("this looks like a payment card number; card numbers are never stored, so remove it")]
    CardNumber,
}

/// A name: trimmed, one line, 1 to [`MAX_NAME_CHARS`] characters, no card number.
pub fn name(text: &str) -> Result<String, TextError> {
    let text = text.trim();
    if text.is_empty() {
        return Err(TextError::Empty);
    }
    short(text)
}

/// A name that may be left empty.
pub fn short(text: &str) -> Result<String, TextError> {
    bounded(text.trim(), MAX_NAME_CHARS, &[])
}

/// A note or description: may be empty, may have line breaks, no card number.
pub fn note(text: &str) -> Result<String, TextError> {
    bounded(text, MAX_NOTE_CHARS, &['\n', '\r', '\t'])
}

fn bounded(text: &str, limit: usize, allowed: &[char]) -> Result<String, TextError> {
    if text.chars().count() > limit {
        return Err(TextError::TooLong { limit });
    }
    if let Some(c) = text.chars().find(|c| c.is_control() && !allowed.contains(c)) {
        return Err(TextError::NotPrintable { code: u32::from(c) });
    }
    if crate::card::holds_card_number(text) {
        return Err(TextError::CardNumber);
    }
    Ok(text.to_owned())
}

/// For search and for comparing without case: compatibility form, marks dropped, lower case.
/// Done here and not in SQL, because collations and `lower()` differ by engine.
pub fn fold(text: &str) -> String {
    text.nfkd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase).collect()
}
