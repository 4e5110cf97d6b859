//! Recognises a payment card's number in free text, so that it is refused and never kept.
//!
//! Only for free text. One in ten in-store codes passes the same check, so codes, order numbers,
//! phone numbers and weights are never looked at.

/// Shortest and longest card number (ISO/IEC 7812-1).
const LENGTHS: std::ops::RangeInclusive<usize> = 13..=19;

/// Whether a run of 13 to 19 digits, spaces, hyphens and dots between them ignored, passes Luhn.
pub fn holds_card_number(text: &str) -> bool {
    let mut run: Vec<u8> = Vec::new();
    for c in text.chars().chain(['|']) {
        if let Some(digit) = c.to_digit(10) {
            run.push(u8::try_from(digit).unwrap_or(0));
        } else if !matches!(c, ' ' | '-' | '.' | '\u{a0}' | '\u{2011}' | '\u{202f}') {
            if LENGTHS.contains(&run.len()) && passes_luhn(&run) {
                return true;
            }
            run.clear();
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
