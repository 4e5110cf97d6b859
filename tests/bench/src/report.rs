//! The printed table.

use std::fmt::Write;

pub(crate) struct Figure {
    /// The number of the aim that it belongs to.
    pub(crate) row: u8,
    /// What was done, and on which engine.
    pub(crate) what: String,
    pub(crate) ours: String,
    /// What it is compared with, and what that measured.
    pub(crate) theirs: String,
    /// The figure that the aim is about.
    pub(crate) figure: String,
    /// The aim, if there is one, and whether it was met.
    pub(crate) aim: Option<(String, bool)>,
    pub(crate) runs: String,
}

impl Figure {
    /// A line that says why a figure is missing.
    pub(crate) fn missing(row: u8, what: &str, why: &str) -> Self {
        let none = || "–".to_owned();
        Self {
            row,
            what: what.to_owned(),
            ours: why.to_owned(),
            theirs: none(),
            figure: none(),
            aim: None,
            runs: none(),
        }
    }

    fn cells(&self) -> [String; 8] {
        let (aim, verdict) = match &self.aim {
            None => ("–".to_owned(), "–"),
            Some((aim, true)) => (aim.clone(), "met"),
            Some((aim, false)) => (aim.clone(), "**missed**"),
        };
        [
            self.row.to_string(),
            self.what.clone(),
            self.ours.clone(),
            self.theirs.clone(),
            self.figure.clone(),
            aim,
            verdict.to_owned(),
            self.runs.clone(),
        ]
    }
}

const HEADINGS: [&str; 8] = ["row", "what", "measured", "against", "figure", "aim", "", "runs"];

/// The figures as a Markdown table.
pub(crate) fn table(figures: &[Figure]) -> String {
    let mut text = format!("| {} |\n|{}\n", HEADINGS.join(" | "), "---|".repeat(HEADINGS.len()));
    for figure in figures {
        let cells: Vec<String> = figure.cells().iter().map(|cell| cell.replace('|', "\\|")).collect();
        // Writing to a String cannot fail.
        let _ = writeln!(text, "| {} |", cells.join(" | "));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_miss_is_printed_as_a_miss() {
        let mut figure = Figure::missing(7, "a|b", "20 ms");
        figure.aim = Some(("≤ 2".to_owned(), false));
        assert!(table(&[figure]).ends_with("| 7 | a\\|b | 20 ms | – | – | ≤ 2 | **missed** | – |\n"));
    }
}
