//! Prepares a JSON order for keeping: without payment card numbers, wherever they are, but with its
//! codes, which are not free text and are needed to read it again.

use crate::fields::order;
use crate::json_text::{elements, members};
use crate::layout::{Encoding, Layout};
use crate::record::Rows;
use domain::masked::masked;

/// Levels that are walked; anything deeper is treated as text.
const MAX_DEPTH: usize = 32;
/// No card number has fewer digits (ISO/IEC 7812-1).
const LEAST_DIGITS: usize = 12;

/// The rows of a record without card numbers.
pub(crate) fn rows(rows: &Rows, layout: &Layout) -> Rows {
    let mut kept = Rows::default();
    for row in rows.iter() {
        let has_digits = row.iter().filter(|b| b.is_ascii_digit()).nth(LEAST_DIGITS - 1).is_some();
        if !has_digits {
            kept.push(row, rows.encoding);
            continue;
        }
        let text = String::from_utf8_lossy(row);
        let text = record(text.trim(), layout).unwrap_or_else(|| masked(&text).into_owned());
        kept.push(text.as_bytes(), Encoding::Utf8);
    }
    kept
}

/// A record's text without card numbers; none if it is not JSON that can be walked.
fn record(raw: &str, layout: &Layout) -> Option<String> {
    let free = [order::NAME, order::CUSTOMER, order::EMAIL];
    let codes = layout.fields.iter().enumerate().filter(|(at, _)| !free.contains(at));
    let codes = codes.filter_map(|(_, map)| map.as_ref()).map(|map| map.pointer.text.as_str()).collect();
    let walk = Walk { codes, lines: layout.lines.as_ref().map(|p| p.text.as_str()) };
    let mut out = String::with_capacity(raw.len());
    walk.value(raw, "", 0, &mut out)?;
    Some(out)
}

struct Walk<'a> {
    /// The places of codes, numbers and dates.
    codes: Vec<&'a str>,
    lines: Option<&'a str>,
}

impl Walk<'_> {
    fn value(&self, raw: &str, path: &str, depth: usize, out: &mut String) -> Option<()> {
        match raw.as_bytes().first()? {
            b'{' | b'[' if depth > MAX_DEPTH => out.push_str(&text(&masked(raw))),
            b'{' => self.object(raw, path, depth, out)?,
            b'[' => self.list(raw, path, depth, out)?,
            _ if self.codes.contains(&path) => out.push_str(raw),
            b'"' => {
                let told: String = serde_json::from_str(raw).ok()?;
                match masked(&told) {
                    kept if kept == told => out.push_str(raw),
                    kept => out.push_str(&text(&kept)),
                }
            }
            _ => match masked(raw) {
                kept if kept == raw => out.push_str(raw),
                kept => out.push_str(&text(&kept)),
            },
        }
        Some(())
    }

    fn object(&self, raw: &str, path: &str, depth: usize, out: &mut String) -> Option<()> {
        out.push('{');
        for (at, (name, value)) in members(raw).ok()?.into_iter().enumerate() {
            if at > 0 {
                out.push(',');
            }
            let inner = format!("{path}/{}", name.replace('~', "~0").replace('/', "~1"));
            out.push_str(&text(&masked(&name)));
            out.push(':');
            self.value(value.get(), &inner, depth + 1, out)?;
        }
        out.push('}');
        Some(())
    }

    fn list(&self, raw: &str, path: &str, depth: usize, out: &mut String) -> Option<()> {
        out.push('[');
        // The fields of a line have places within the line.
        let is_lines = self.lines == Some(path);
        for (at, value) in elements(raw).ok()?.into_iter().enumerate() {
            if at > 0 {
                out.push(',');
            }
            let inner = if is_lines { String::new() } else { format!("{path}/{at}") };
            self.value(value.get(), &inner, depth + 1, out)?;
        }
        out.push(']');
        Some(())
    }
}

/// A text in JSON's notation.
fn text(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}
