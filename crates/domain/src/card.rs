//! Recognizes a payment card number in free text, so that it is refused and never kept.
//!
//! For free text only. One in ten in-store codes passes the same check, so codes, order numbers, phone
//! numbers and weights are not looked at.

/// The shortest and the longest card number.
const LENGTHS: std::ops::RangeInclusive<usize> = 13..=19;

/// The first digits of the payment cards in use, each with the possible lengths of its numbers. These
/// are the issuer identification numbers of ISO/IEC 7812, whose register only members may read. From
/// memory of what the card schemes publish; check it before relying on a rare one. Other numbers of
/// these lengths (in-store codes, dates, phone numbers, parcels) are not cards, whatever their last
/// digit.
const ISSUERS: &[(std::ops::RangeInclusive<u32>, &[usize])] = &[
    (1000..=1999, &[15]),
    (2200..=2204, &[16, 17, 18, 19]),
    (2221..=2720, &[16]),
    (3000..=3059, &[14, 16, 17, 18, 19]),
    (3095..=3095, &[14, 16, 17, 18, 19]),
    (3400..=3499, &[15]),
    (3528..=3589, &[16, 17, 18, 19]),
    (3600..=3699, &[14, 15, 16, 17, 18, 19]),
    (3700..=3799, &[15]),
    (3800..=3999, &[14, 16, 17, 18, 19]),
    (4000..=4999, &[13, 16, 19]),
    (5000..=5099, &[13, 14, 15, 16, 17, 18, 19]),
    (5100..=5599, &[16]),
    (5600..=5899, &[13, 14, 15, 16, 17, 18, 19]),
    (6000..=6999, &[13, 14, 15, 16, 17, 18, 19]),
    (8100..=8199, &[16, 17, 18, 19]),
    (9792..=9792, &[16]),
];

/// Whether cards of this length begin with these digits.
fn is_issued(digits: &[u8]) -> bool {
    let first = digits.iter().take(4).fold(0, |first, digit| first * 10 + u32::from(*digit));
    ISSUERS.iter().any(|(prefixes, lengths)| prefixes.contains(&first) && lengths.contains(&digits.len()))
}

/// Whether the text contains a payment card number, judged by its first digits, its length and the Luhn
/// check. Spaces, hyphens and dots within it are ignored. Other digits may stand beside it (a date, a
/// count), so every run of whole groups is tried: `4000 0000 0000 0002 12/28` contains a card number.
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

/// Ends a run of digits, like any other character.
const END: char = '|';

fn is_separator(c: char) -> bool {
    matches!(c, ' ' | '-' | '.' | '\u{a0}' | '\u{2011}' | '\u{202f}')
}

/// Whether the first groups together are a card number.
fn begins_card_number(groups: &[Vec<u8>]) -> bool {
    let mut run = Vec::new();
    for group in groups {
        run.extend_from_slice(group);
        if run.len() > *LENGTHS.end() {
            return false;
        }
        if LENGTHS.contains(&run.len()) && is_issued(&run) && passes_luhn(&run) {
            return true;
        }
    }
    false
}

/// The Luhn check of ISO/IEC 7812-1, check digit included.
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
