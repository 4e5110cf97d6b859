//! What a message contains besides our fields: constants, and the names that both sides know an item
//! by.

use crate::layout::{LayoutError, Pointer, not_known};
use crate::layout_toml::RawExtra;
use std::collections::BTreeMap;

/// The most of them, and the longest text of one. Our own bounds.
const MAX_EXTRAS: usize = 50;
const MAX_TEXT: usize = 500;

/// One member besides the fields.
#[derive(Clone, Debug)]
pub(crate) struct Extra {
    pub(crate) pointer: Pointer,
    pub(crate) value: ExtraValue,
}

/// The value of that member.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum ExtraValue {
    /// A text with placeholders.
    Text(Vec<Part>),
    /// A number or boolean, as JSON.
    Plain(String),
}

/// A part of such a text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Part {
    Text(String),
    Sku,
    OtherId,
    Revision,
}

/// The placeholders.
const NAMES: [(&str, Part); 3] =
    [("{sku}", Part::Sku), ("{other_id}", Part::OtherId), ("{revision}", Part::Revision)];

impl ExtraValue {
    /// Whether it contains the online shop's own id.
    pub(crate) fn has_other_id(&self) -> bool {
        matches!(self, Self::Text(parts) if parts.contains(&Part::OtherId))
    }
}

pub(crate) fn read(raw: BTreeMap<String, RawExtra>) -> Result<Vec<Extra>, LayoutError> {
    if raw.len() > MAX_EXTRAS {
        return Err(not_known("[extra]", &raw.len().to_string(), "at most 50 of them"));
    }
    let mut extras = Vec::with_capacity(raw.len());
    for (place, value) in raw {
        let pointer = Pointer::parse(&place).filter(|pointer| !pointer.segments.is_empty());
        let pointer = pointer
            .ok_or_else(|| not_known("[extra]", &place, "a JSON Pointer as its name, such as \"/kind\""))?;
        let key = format!("[extra] \"{place}\"");
        let value = match value {
            RawExtra::Text(text) => ExtraValue::Text(parts(&key, &text)?),
            RawExtra::Number(number) => ExtraValue::Plain(number.to_string()),
            RawExtra::Truth(truth) => ExtraValue::Plain(truth.to_string()),
        };
        extras.push(Extra { pointer, value });
    }
    Ok(extras)
}

fn parts(key: &str, text: &str) -> Result<Vec<Part>, LayoutError> {
    let known = "a text of at most 500 characters, with only {sku}, {other_id} and {revision} in braces";
    let wrong = || not_known(key, text, known);
    if text.chars().count() > MAX_TEXT {
        return Err(wrong());
    }
    let (mut parts, mut rest) = (Vec::new(), text);
    while let Some(open) = rest.find(['{', '}']) {
        let (before, from) = rest.split_at(open);
        let (name, part) = NAMES.into_iter().find(|(name, _)| from.starts_with(name)).ok_or_else(wrong)?;
        parts.extend([Part::Text(before.to_owned()), part]);
        rest = &from[name.len()..];
    }
    parts.push(Part::Text(rest.to_owned()));
    Ok(parts)
}
