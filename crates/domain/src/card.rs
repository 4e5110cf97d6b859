//! Recognises a payment card's number in free text, so that it is refused and never kept.
//!
//! Only for free text. One in ten in-store codes passes the same check, so codes, order numbers,
//! phone numbers and weights are never looked at.

/// Shortest and longest card number (ISO/IEC 7812-1).
const LENGTHS: std::ops::RangeInclusive<usize> = 13..=19;

/// Whether the text holds 13 to 19 digits that pass Luhn, spaces, hyphens and dots between them
/// ignored. Digits that belong to something else may stand beside them (a date, a count), so every
/// stretch of whole groups is looked at: `4000 0000 0000 0002 12/28` holds a card's number.
pub fn holds_card_number(text: &str) -> bool {
    let mut groups: Vec<Vec<u8>> = vec![Vec::new()];
    for c in text.chars().chain([END]) {
        if let Some(digit) = c.to_digit(10).and_then(|d| u8::try_from(d).ok()) {
            if let Some(group) = groups.last_mut() {
                group.push(digit);
            }
        } else if is_separator(c) {
            if groups.last().is_some_and(|g| !g.is_empty()) {
                groups.push(Vec::new());
            }
        } else {
            if (0..groups.len()).any(|from| begins_card_number(&groups[from..])) {
                return true;
            }
            groups = vec![Vec::new()];
        }
    }
    false
}

/// Ends the last run of digits, as any other character does.
const END: char = '|';

fn is_separator(c: char) -> bool {
    matches!(c, ' ' | '-' | '.' | '\u{a0}' | '\u{2011}' | '\u{202f}')
}

/// Whether the first groups, taken together, are a card's number.
fn begins_card_number(groups: &[Vec<u8>]) -> bool {
    let mut run = Vec::new();
    for group in groups {
        run.extend_from_slice(group);
        if run.len() > *LENGTHS.end() {
            return false;
        }
        if LENGTHS.contains(&run.len()) && passes_luhn(&run) {
            return true;
        }
    }
    false
}

/// The Luhn sum of ISO/IEC 7812-1, check digit included.
pub fn passes_luhn(digits: &[u8]) -> bool {
    let sum: u32 = digits
        .iter()
        .rev()
        .enumerate()
        .map(|(place, d)| {
            let weighted = u32::from(*d) * if place % 2 == 1 { 2 } else { 1 };
            if weighted > 9 { weighted - 9 } else { weighted }
        })
        .sum();
    sum.is_multiple_of(10)
}
