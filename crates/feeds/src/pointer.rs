//! Places in JSON.

/// The most steps of a JSON Pointer: deeper places are a mistake, and each step reads the value once more.
pub(crate) const MAX_SEGMENTS: usize = 16;
/// The longest JSON Pointer, far above what member names need.
const MAX_POINTER_BYTES: usize = 1000;

/// A JSON Pointer (RFC 6901), split and unescaped.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Pointer {
    pub(crate) text: String,
    pub(crate) segments: Vec<String>,
}

impl Pointer {
    pub(crate) fn parse(text: &str) -> Option<Self> {
        if text.len() > MAX_POINTER_BYTES || text.matches('/').count() > MAX_SEGMENTS {
            return None;
        }
        let escapes_are_right =
            text.split('~').skip(1).all(|rest| rest.starts_with('0') || rest.starts_with('1'));
        if !(text.is_empty() || text.starts_with('/')) || !escapes_are_right {
            return None;
        }
        let segments = text.split('/').skip(1).map(|s| s.replace("~1", "/").replace("~0", "~")).collect();
        Some(Self { text: text.to_owned(), segments })
    }
}
