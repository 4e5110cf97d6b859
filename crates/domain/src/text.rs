//! Text that people type: limited in length, printable, and folded for search.

use unicode_normalization::{UnicodeNormalization, char::is_combining_mark};

/// The longest name or title, in characters. Our own bound.
pub const MAX_NAME_CHARS: usize = 200;
/// The longest description or note, in characters. Our own bound.
pub const MAX_NOTE_CHARS: usize = 10_000;

/// The longest text that stands on every receipt, in characters. Our own bound: a dozen lines of a till roll.
pub const MAX_PRINTED_CHARS: usize = 500;

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

/// A note or description: may be empty, may have line breaks, no card number. Browsers and spreadsheets end lines
/// with two characters; one is kept, so that the same text is the same wherever it was typed.
pub fn note(text: &str) -> Result<String, TextError> {
    bounded(&text.replace("\r\n", "\n"), MAX_NOTE_CHARS, &['\n', '\r', '\t'])
}

/// Lines that are printed again and again, such as an address: may be empty, at most [`MAX_PRINTED_CHARS`].
pub fn printed(text: &str) -> Result<String, TextError> {
    bounded(text.replace("\r\n", "\n").trim(), MAX_PRINTED_CHARS, &['\n'])
}

/// Whether a text already says these words, one after the other and without case: a name often has the style, the
/// colors or the size in it.
pub fn says(text: &str, words: &str) -> bool {
    let (text, words) = (fold(text), fold(words));
    let (text, words) = (split(&text), split(&words));
    !words.is_empty() && text.windows(words.len()).any(|part| part == words)
}

fn split(text: &str) -> Vec<&str> {
    let separates = |c: char| c.is_whitespace() || matches!(c, ',' | ';' | '|' | '(' | ')');
    text.split(separates).map(|word| word.trim_end_matches('.')).filter(|word| !word.is_empty()).collect()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_says_whole_words() {
        let check = |text: &str, words: &str, expected: bool| {
            assert_eq!(says(text, words), expected, "{text}: {words}");
        };
        check("Moor cowl, fawn, M", "m", true);
        check("Moor cowl, fawn", "M", false);
        check("Moor cowl, fawn, moss", "fawn|moss", true);
        check("Moor cowl, fawn", "fawn|moss", false);
        check("Moor cowl (one size)", "One size", true);
        check("Hat, S/M", "M", false);
        check("Hat, size L.", "L", true);
        check("Hat", "", false);
    }

    #[test]
    fn lines_end_in_one_way() {
        assert_eq!(note("one\r\ntwo\nthree").as_deref(), Ok("one\ntwo\nthree"));
    }
}
