//! A constant in a layout, with `{file}` and `{row}` in it.

/// Hex digits of the file's hash for `{file}`: an order number has at most 64 characters, and 64 bits
/// tell a shop's files apart.
pub(crate) const FILE_HASH_CHARS: usize = 16;

/// A constant, split at its placeholders.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Template(Vec<Part>);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Part {
    Text(String),
    File,
    Row,
}

impl Template {
    /// None if a brace is anything but `{file}` or `{row}`.
    pub(crate) fn parse(text: &str) -> Option<Self> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(open) = rest.find(['{', '}']) {
            let (before, from) = rest.split_at(open);
            parts.push(Part::Text(before.to_owned()));
            let (part, after) = match (from.strip_prefix("{file}"), from.strip_prefix("{row}")) {
                (Some(after), _) => (Part::File, after),
                (_, Some(after)) => (Part::Row, after),
                _ => return None,
            };
            parts.push(part);
            rest = after;
        }
        parts.push(Part::Text(rest.to_owned()));
        Some(Self(parts))
    }

    /// Whether its text differs from row to row.
    pub(crate) fn differs_by_row(&self) -> bool {
        self.0.contains(&Part::Row)
    }

    /// Whether it depends on the file.
    pub(crate) fn names_file(&self) -> bool {
        self.0.contains(&Part::File)
    }

    /// Writes its text for one row.
    pub(crate) fn write(&self, file_hash: &str, row: u64, into: &mut String) {
        for part in &self.0 {
            match part {
                Part::Text(text) => into.push_str(text),
                Part::File => into.push_str(file_hash.get(..FILE_HASH_CHARS).unwrap_or(file_hash)),
                Part::Row => into.push_str(&row.to_string()),
            }
        }
    }
}
