//! The connections in the guide `docs/connect-a-shop.md`: each must work.

use feeds::connection::ConnectionFile;
use std::path::Path;

const GUIDE: &str = include_str!("../../../../docs/connect-a-shop.md");

/// A fenced block: its info string and its text.
fn blocks() -> Vec<(&'static str, String)> {
    let mut blocks = Vec::new();
    let mut lines = GUIDE.lines();
    while let Some(line) = lines.next() {
        let Some(info) = line.strip_prefix("```") else { continue };
        let text = lines.by_ref().take_while(|line| *line != "```").map(|line| format!("{line}\n"));
        blocks.push((info, text.collect()));
    }
    blocks
}

/// Whoever stops after any step has a connection that works.
#[test]
fn each_step_of_the_guide_is_a_connection() {
    let mut text = String::new();
    let mut steps = Vec::new();
    for (_, part) in blocks().iter().filter(|(info, _)| *info == "toml part") {
        text = format!("{text}{part}\n");
        let file = ConnectionFile::parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
        steps.push((file.orders.is_some(), file.hooks.is_some(), file.listed.is_some()));
    }
    let expected = [(false, false, false), (true, false, false), (true, true, false), (true, true, true)];
    assert_eq!(steps, expected);
}

#[test]
fn each_whole_text_of_the_guide_is_the_one_that_is_tested() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let mut seen = 0;
    for (info, text) in blocks() {
        let Some(file) = info.strip_prefix("toml whole ") else { continue };
        ConnectionFile::parse(&text).unwrap_or_else(|error| panic!("{file}: {error}"));
        let tested =
            std::fs::read_to_string(root.join(file)).unwrap_or_else(|error| panic!("{file}: {error}"));
        assert_eq!(text, tested, "{file}");
        seen += 1;
    }
    assert_eq!(seen, 2);
}
