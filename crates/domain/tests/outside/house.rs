//! What the domain must not know: files, network, clocks, randomness, floats.

use std::path::{Path, PathBuf};

/// Words that must not be in the source, except in comments.
const ABSENT: &[&str] = &[
    "std::fs",
    "std::net",
    "std::io",
    "std::env",
    "std::process",
    "std::thread",
    "SystemTime",
    "Instant",
    "Timestamp::now",
    "Zoned::now",
    "TimeZone::system",
    "rand",
    "f32",
    "f64",
    "println",
    "unsafe",
];

/// The forbidden words of a line's code: whole words, so that “brand” is not “rand”.
fn forbidden(line: &str) -> Vec<&'static str> {
    let code = line.split("//").next().unwrap_or(line);
    let part_of_word = |c: char| c.is_alphanumeric() || c == '_';
    let stands_alone = |word: &str| {
        code.match_indices(word).any(|(at, found)| {
            let before = code[..at].chars().next_back();
            let after = code[at + found.len()..].chars().next();
            !before.is_some_and(part_of_word) && !after.is_some_and(part_of_word)
        })
    };
    ABSENT.iter().copied().filter(|word| stands_alone(word)).collect()
}

/// The one module with floats: it hands colors to the palette crate, and only whole numbers leave it.
const WITH_FLOATS: &str = "color_difference/ciede2000.rs";

fn sources() -> Vec<PathBuf> {
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
    let mut files = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() { folders.push(path) } else { files.push(path) }
        }
    }
    files.sort();
    assert!(files.iter().all(|f| f.extension().is_some_and(|e| e == "rs")), "not a source: look into it too");
    files
}

#[test]
fn the_domain_does_no_io() {
    let files = sources();
    assert!(files.iter().any(|f| f.ends_with("money.rs")), "the sources were found");
    let mut found = Vec::new();
    for file in files {
        for (number, line) in std::fs::read_to_string(&file).unwrap().lines().enumerate() {
            let words = forbidden(line).into_iter();
            for word in words.filter(|word| !(file.ends_with(WITH_FLOATS) && *word == "f64")) {
                found.push(format!("{}:{}: {word}", file.display(), number + 1));
            }
        }
    }
    assert_eq!(found, Vec::<String>::new());
}

#[test]
fn a_breach_would_be_found() {
    let check = |line: &str, expected: &[&str]| assert_eq!(forbidden(line), expected, "{line}");
    check("use std::fs::File;", &["std::fs"]);
    check("let now = std::time::SystemTime::now();", &["SystemTime"]);
    check("let now = jiff::Timestamp::now();", &["Timestamp::now"]);
    check("let x = 0.5_f64 as f32;", &["f32"]);
    check("fn price(x: f64) -> f64 {", &["f64"]);
    check("let n: u8 = rand::random();", &["rand"]);
    check("let brand = operand(strand);", &[]);
    check("// an f64 would lose cents", &[]);
    check("let stamp = Timestamp::from_millisecond(0);", &[]);
}
