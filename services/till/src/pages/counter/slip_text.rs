//! Lines of plain text as wide as a till roll, of which receipts and refund slips are made.

/// Characters in a line of the file: what a receipt printer for 80 mm paper prints (common practice, no
/// source).
const WIDTH: usize = 42;

/// A text that grows line by line.
#[derive(Debug, Default)]
pub(crate) struct SlipText {
    text: String,
    /// Whether names and figures stand at the edges, as only a font with equal widths shows them.
    is_plain: bool,
}

impl SlipText {
    /// For a file or a printer.
    pub(crate) fn for_paper() -> Self {
        Self::default()
    }

    /// For a message, which is shown in any font.
    pub(crate) fn for_message() -> Self {
        Self { is_plain: true, ..Self::default() }
    }

    pub(crate) fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    /// Words, broken into lines of the paper's width.
    pub(crate) fn words(&mut self, words: &str) {
        if self.is_plain {
            return self.line(words);
        }
        for line in wrapped(words) {
            self.line(&line);
        }
    }

    /// Several paragraphs after a rule, if there are any.
    pub(crate) fn section(&mut self, lines: &[String]) {
        if lines.is_empty() {
            return;
        }
        self.rule();
        for line in lines {
            self.words(line);
        }
    }

    pub(crate) fn rule(&mut self) {
        let rule = if self.is_plain { String::new() } else { "-".repeat(WIDTH) };
        self.line(&rule);
    }

    /// A name with its figure.
    pub(crate) fn pair(&mut self, name: &str, figure: &str) {
        let pair = if self.is_plain { format!("{name}: {figure}") } else { pair(name, figure) };
        self.line(&pair);
    }

    pub(crate) fn text(self) -> String {
        self.text
    }
}

/// Words in lines of the file's width; a longer word has a line of its own.
fn wrapped(words: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= WIDTH => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A name on the left and a figure on the right; a name that is too long gets its own line.
fn pair(name: &str, figure: &str) -> String {
    let room = WIDTH.saturating_sub(figure.chars().count() + 1);
    if name.chars().count() > room {
        return format!("{name}\n{figure:>WIDTH$}");
    }
    let gap = WIDTH - name.chars().count();
    format!("{name}{figure:>gap$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_wrapped_to_the_paper() {
        let lines = wrapped("Voided by Ada Moss on May 17, 2026, 12:00 PM: the wrong hat");
        assert_eq!(lines, ["Voided by Ada Moss on May 17, 2026, 12:00", "PM: the wrong hat"]);
        assert_eq!(wrapped(""), Vec::<String>::new());
    }

    #[test]
    fn names_and_figures_stand_at_the_edges() {
        assert_eq!(pair("Change", "4.15"), format!("Change{}4.15", " ".repeat(32)));
        let long = "A very long name of a very woolly piece of work";
        assert_eq!(pair(long, "4.15"), format!("{long}\n{}4.15", " ".repeat(38)));
    }
}
