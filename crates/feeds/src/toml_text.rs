//! Reads TOML that a person wrote: nesting is limited before it is read, and tables have names and are
//! never lists.

use domain::objects::Objects;
use serde::de::{DeserializeOwned, Error};

/// The deepest nesting of brackets, and the most parts of a dotted key: our own texts need three.
const MAX_DEPTH: usize = 16;

/// Reads a text with limited nesting, because the reader builds and drops its tables by recursion.
pub(crate) fn read<T: DeserializeOwned>(text: &str) -> Result<T, toml::de::Error> {
    if is_deep(text) {
        let words = format!("brackets and dotted keys go deeper than {MAX_DEPTH}; is this the right file?");
        return Err(toml::de::Error::custom(words));
    }
    T::deserialize(Objects(toml::Deserializer::parse(text)?)).map_err(|mut error| {
        error.set_input(Some(text));
        error
    })
}

/// Whether anything outside strings and comments is nested too deeply. A mistake in the text ends the
/// search early; the reader will report it.
fn is_deep(text: &str) -> bool {
    let (mut depth, mut dots) = (0_usize, 0_usize);
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let mut used = c.len_utf8();
        match c {
            '#' => used = rest.find('\n').unwrap_or(rest.len()),
            '"' | '\'' => used = string_length(rest, c),
            '[' | '{' => (depth, dots) = (depth + 1, 0),
            ']' | '}' => (depth, dots) = (depth.saturating_sub(1), 0),
            '=' | ',' | '\n' => dots = 0,
            '.' => dots += 1,
            _ => {}
        }
        if depth > MAX_DEPTH || dots > MAX_DEPTH {
            return true;
        }
        rest = &rest[used..];
    }
    false
}

/// The length of the string at the start of a text, with its quotes. A string without an end ends with
/// its line, as it does for the reader.
fn string_length(text: &str, quote: char) -> usize {
    let triple: String = [quote; 3].iter().collect();
    let is_long = text.starts_with(&triple);
    let end = if is_long { triple } else { quote.to_string() };
    let line = if is_long { text.len() } else { text.find('\n').unwrap_or(text.len()) };
    let mut at = end.len();
    loop {
        let Some(found) = text.get(at..line).and_then(|rest| rest.find(&end)) else { return line };
        let slashes = text[..at + found].bytes().rev().take_while(|b| *b == b'\\').count();
        if quote == '\'' || slashes % 2 == 0 {
            return at + found + end.len();
        }
        at += found + 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn depth_is_seen_outside_of_strings_alone() {
        let check = |text: &str, expected: bool| assert_eq!(is_deep(text), expected, "{text}");
        check("a = 1.5", false);
        check(&"[".repeat(16), false);
        check(&"[".repeat(17), true);
        check(&format!("a = {}", "{b=".repeat(20)), true);
        check(&format!("{}a = 1", "a.".repeat(16)), false);
        check(&format!("{}a = 1", "a.".repeat(17)), true);
        check(&format!("[{}a]", "a . ".repeat(17)), true);
        check(&format!("a = \"{}\"", ".".repeat(40)), false);
        check(&format!("a = \"\\\"{}\"", "[".repeat(40)), false);
        check(&format!("a = '{}'", "[".repeat(40)), false);
        check(&format!("a = \"\"\"\n{}\"\"\"", "[".repeat(40)), false);
        check(&format!("# {}", ".".repeat(40)), false);
        check(&format!("a = '''\\'''\n{}", "[".repeat(40)), true);
    }

    // A table must not be written as a list of values, which nobody could read.
    #[test]
    fn a_list_is_no_table() {
        #[derive(serde::Deserialize)]
        struct Inner {
            to: String,
        }
        #[derive(serde::Deserialize)]
        struct Outer {
            out: Inner,
        }
        let read = |text: &str| super::read::<Outer>(text).map(|outer| outer.out.to);
        assert_eq!(read("out = { to = \"x\" }").as_deref(), Ok("x"));
        let error = read("a = 1\nout = [\"x\"]").expect_err("a list");
        assert!(error.message().contains("fields by name"), "{error}");
        assert_eq!(error.span().map(|s| s.start), Some(12));
    }
}
