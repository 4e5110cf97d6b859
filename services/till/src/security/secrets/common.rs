//! Common passwords, and patterns that are guessed first.

use std::collections::HashSet;
use std::sync::LazyLock;

/// A published list; the file names its source and license. Matched in lowercase, with digits and signs around a word,
/// and with the usual digits and signs in place of letters.
const PUBLISHED: &str = include_str!("common_passwords.txt");
/// Months, other words and words of this trade, which the published list lacks. From memory.
const OWN: &str = "\
    letmeinnow basketball volleyball alexander autumn chocolate england australia ireland administrator \
    root toor guest user temporary changeit login logmein letme helloworld jesuschrist godisgood \
    lovelove sweetheart sweetie mickeymouse bailey cooper music fortnite blink zaq abcd abcdef abcabc \
    zxczxc father family brother sister friends friend bestfriend business company office million \
    january february march june july august september october november december wednesday thursday \
    saturday wool woolshop yarn yarnshop knitting knit crochet alpaca alpacas sheep fleece fleecefold \
    farm farmshop shop fibre fiber spinning weaving";
static WORDS: LazyLock<HashSet<&str>> = LazyLock::new(|| {
    let published = PUBLISHED.lines().filter(|line| !line.starts_with('#'));
    published.chain(OWN.split_whitespace()).collect()
});
/// Rows of keys and letters in which runs are searched.
const ROWS: &[&str] =
    &["01234567890123456789", "abcdefghijklmnopqrstuvwxyz", "qwertyuiop", "asdfghjkl", "zxcvbnm"];

/// Whether a password is one of the first that anybody would guess.
pub(super) fn is_common(password: &str) -> bool {
    let small = password.to_lowercase();
    let letters = |text: &str| text.trim_matches(|c: char| !c.is_alphabetic()).to_owned();
    let read = |text: &str| text.chars().map(unleet).collect::<String>();
    let plain = read(&small);
    let is_word = |text: &str| WORDS.contains(text) || is_twice(text);
    is_run(&small)
        || is_word(&small)
        || is_word(&letters(&small))
        || is_word(&plain)
        || is_word(&letters(&plain))
        || is_word(&read(&letters(&small)))
        || is_word(&plain.replace([' ', '-', '_', '.'], ""))
}

/// One character repeated, or neighbors in a row of keys or letters, forwards or backwards.
pub(super) fn is_run(text: &str) -> bool {
    let back: String = text.chars().rev().collect();
    let mut signs = text.chars();
    let first = signs.next();
    let is_one = first.is_some_and(char::is_alphanumeric) && signs.all(|c| Some(c) == first);
    is_one || ROWS.iter().any(|row| row.contains(text) || row.contains(&back)) || is_pairs(text)
}

/// One or two digits repeated, such as 1212.
fn is_pairs(text: &str) -> bool {
    let bytes = text.as_bytes();
    bytes.len() >= 4
        && bytes.iter().all(u8::is_ascii_digit)
        && bytes.iter().zip(&bytes[2..]).all(|(a, b)| a == b)
}

fn is_twice(text: &str) -> bool {
    text.split_at_checked(text.len() / 2).is_some_and(|(a, b)| a == b && WORDS.contains(a))
}

/// The letter for which people write a digit or sign.
fn unleet(sign: char) -> char {
    match sign {
        '0' => 'o',
        '1' | '!' => 'i',
        '3' => 'e',
        '4' | '@' => 'a',
        '5' | '$' => 's',
        '7' => 't',
        other => other,
    }
}
