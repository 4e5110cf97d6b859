//! Removes payment card numbers from texts that come from elsewhere. What is rejected is still kept or
//! shown, but never with a card number.

use crate::card::holds_card_number;
use std::borrow::Cow;

/// What replaces a card number.
pub const REMOVED: &str = "[card number removed]";
/// A run of digits and separators longer than this, in bytes, is removed without looking for the
/// number's exact place.
const LONGEST_RUN: usize = 400;

/// The text with [`REMOVED`] in place of each card number that [`holds_card_number`] finds.
pub fn masked(text: &str) -> Cow<'_, str> {
    if !holds_card_number(text) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while !rest.is_empty() {
        let run = rest.find(char::is_alphabetic).unwrap_or(rest.len());
        let (digits, behind) = rest.split_at(run);
        mask_run(digits, &mut out);
        let word = behind.find(|c: char| !c.is_alphabetic()).unwrap_or(behind.len());
        out.push_str(&behind[..word]);
        rest = &behind[word..];
    }
    if holds_card_number(&out) { Cow::Owned(without_digits(text)) } else { Cow::Owned(out) }
}

/// A run without letters: removes the shortest part that contains a number, until none is left.
fn mask_run(run: &str, out: &mut String) {
    let mut rest = run;
    while holds_card_number(rest) {
        if rest.len() > LONGEST_RUN {
            out.push_str(&without_digits(rest));
            return;
        }
        let Some(end) = ends(rest).find(|end| holds_card_number(&rest[..*end])) else { break };
        let Some(start) = starts(&rest[..end]).rev().find(|start| holds_card_number(&rest[*start..end]))
        else {
            break;
        };
        out.push_str(&rest[..start]);
        out.push_str(REMOVED);
        rest = &rest[end..];
    }
    out.push_str(rest);
}

/// Where groups of digits begin.
fn starts(text: &str) -> impl DoubleEndedIterator<Item = usize> {
    let mut before = false;
    let mut found = Vec::new();
    for (at, c) in text.char_indices() {
        let is_digit = c.is_numeric();
        if is_digit && !before {
            found.push(at);
        }
        before = is_digit;
    }
    found.into_iter()
}

/// Where groups of digits end.
fn ends(text: &str) -> impl Iterator<Item = usize> {
    let next = |at: usize| text[at..].chars().next();
    let digits = text.char_indices().filter(|(_, c)| c.is_numeric()).map(|(at, c)| at + c.len_utf8());
    digits.filter(move |end| !next(*end).is_some_and(char::is_numeric))
}

fn without_digits(text: &str) -> String {
    text.chars().map(|c| if c.is_numeric() { '*' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::passes_luhn;

    // Made up to pass the check digit of ISO/IEC 7812-1, Annex B; not issued to anybody.
    #[test]
    fn a_number_goes_and_the_rest_stays() {
        let check = |text: &str, expected: &str| assert_eq!(masked(text), expected, "{text}");
        check("", "");
        check("Ann Weaver, 12 Mill Lane", "Ann Weaver, 12 Mill Lane");
        check("card 4000 0000 0000 0002 please", "card [card number removed] please");
        check("4000000000000002", "[card number removed]");
        check("(4000-0000-0000-0002)", "([card number removed])");
        check("4000 0000 0000 0002 12/28", "[card number removed] 12/28");
        check("a 4000000000000002 b 4000000000000002", "a [card number removed] b [card number removed]");
        check("Größe 7, 4000 0000 0000 0002", "Größe 7, [card number removed]");
        check("order 1234567890", "order 1234567890");
    }

    #[test]
    fn whatever_stands_around_it_no_number_is_left() {
        let card = "4000 0000 0000 0002";
        assert!(passes_luhn(&[4, 2, 4, 2, 4, 2, 4, 2, 4, 2, 4, 2, 4, 2, 4, 2]));
        for before in ["", "1", "1 ", "x", "12/28 ", "\u{a0}", "9999 9999 ", &"7 ".repeat(300)] {
            for behind in ["", "1", " 1", "x", " 12/28", "\n", " 4000 0000 0000 0002"] {
                let text = format!("{before}{card}{behind}");
                let found = masked(&text);
                assert!(!holds_card_number(&found), "{text}: {found}");
            }
        }
    }
}
