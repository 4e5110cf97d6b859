//! Text that people type: limited in length, printable, and folded for search.

use unicode_normalization::{UnicodeNormalization, char::is_combining_mark};

/// The longest name or title, in characters. Our own bound.
pub const MAX_NAME_CHARS: usize = 200;
/// The longest description or note, in characters. Our own bound.
pub const MAX_NOTE_CHARS: usize = 10_000;

/// What is wrong with a text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TextError {
    /// Empty where something is needed.
    #[error("this may not be empty")]
    Empty,
    /// Longer than the limit.
    #[error("this has more than {limit} characters")]
    TooLong {
        /// The limit, in characters.
        limit: usize,
    },
    /// A control character other than a tab or a line break.
    #[error("this holds a character that cannot be printed (U+{code:04X})")]
    NotPrintable {
        /// The Unicode code point.
        code: u32,
    },
    /// It contains a payment card number.
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

/// Like [`name`], but may be empty.
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

/// Folds a text for search and for comparing without case: compatibility form, no marks, lowercase. It
/// is done here and not in SQL, because collations and `lower()` differ between engines.
pub fn fold(text: &str) -> String {
    text.nfkd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase).collect()
}
