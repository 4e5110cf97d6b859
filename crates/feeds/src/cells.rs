//! The texts of one record's fields, in one buffer that is reused for every record.

/// One text per field of the feed; empty if the record has none.
#[derive(Debug, Default, Clone)]
pub(crate) struct Cells {
    text: String,
    ends: Vec<usize>,
}

impl Cells {
    pub(crate) fn clear(&mut self) {
        self.text.clear();
        self.ends.clear();
    }

    /// Adds the next field's text with a function that writes it.
    pub(crate) fn push_with(&mut self, write: impl FnOnce(&mut String)) {
        write(&mut self.text);
        self.ends.push(self.text.len());
    }

    pub(crate) fn get(&self, field: usize) -> &str {
        let start = field.checked_sub(1).map_or(0, |before| self.ends.get(before).copied().unwrap_or(0));
        self.ends.get(field).and_then(|end| self.text.get(start..*end)).unwrap_or("")
    }
}
