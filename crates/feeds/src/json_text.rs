//! Reads texts from a JSON value by JSON Pointer (RFC 6901).
//!
//! Values stay as they were written, so that no amount of money goes through a float.

use crate::reject::Cause;
use serde::Deserialize;
use serde::de::{Deserializer, Error, MapAccess, Visitor};
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::fmt;

/// The members of an object, each value as written.
pub(crate) struct Members<'a>(pub(crate) Vec<(String, &'a RawValue)>);

impl<'de: 'a, 'a> Deserialize<'de> for Members<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Collect;
        impl<'de> Visitor<'de> for Collect {
            type Value = Vec<(String, &'de RawValue)>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut members = Vec::new();
                while let Some(member) = map.next_entry()? {
                    if members.len() >= crate::MAX_FIELDS {
                        return Err(A::Error::custom("too many members"));
                    }
                    members.push(member);
                }
                Ok(members)
            }
        }
        deserializer.deserialize_map(Collect).map(Self)
    }
}

/// The reason from serde, without its line, which counts within the record and not the file.
pub(crate) fn not_json(error: &serde_json::Error) -> Cause {
    let text = error.to_string();
    let why = text.split(" at line ").next().unwrap_or("").to_owned();
    Cause::NotJson { why: format!("{why}, at character {}", error.column()) }
}

/// An object's members; a name that comes twice is rejected, because nobody could say which counts.
pub(crate) fn members(raw: &str) -> Result<Vec<(String, &RawValue)>, Cause> {
    if !raw.trim_start().starts_with('{') {
        return Err(Cause::NotAnObject);
    }
    let Members(members) = serde_json::from_str(raw).map_err(|e| not_json(&e))?;
    let twice = members.iter().enumerate().find(|(at, (n, _))| members[..*at].iter().any(|(m, _)| m == n));
    match twice {
        Some((_, (name, _))) => Err(Cause::MemberTwice { name: crate::reject::shortened(name) }),
        None => Ok(members),
    }
}

/// The elements of a list.
pub(crate) fn elements(raw: &str) -> Result<Vec<&RawValue>, Cause> {
    serde_json::from_str(raw).map_err(|e| not_json(&e))
}

/// The value at the pointer's steps below these members.
pub(crate) fn find<'a>(
    members: &[(String, &'a RawValue)],
    segments: &[String],
) -> Result<Option<&'a str>, Cause> {
    let Some((first, rest)) = segments.split_first() else { return Ok(None) };
    let Some((_, value)) = members.iter().find(|(n, _)| n == first) else { return Ok(None) };
    let mut raw = value.get();
    for step in rest {
        let next = match raw.as_bytes().first() {
            Some(b'{') => self::members(raw)?.into_iter().find(|(n, _)| n == step).map(|(_, v)| v.get()),
            Some(b'[') => match step.parse::<usize>() {
                Ok(at) => elements(raw)?.get(at).map(|v| v.get()),
                Err(_) => None,
            },
            _ => None,
        };
        let Some(next) = next else { return Ok(None) };
        raw = next;
    }
    Ok((raw != "null").then_some(raw))
}

/// A text, number or boolean as text; a list only if the field is one.
pub(crate) fn text(raw: &str, list: bool) -> Result<Cow<'_, str>, Cause> {
    match raw.as_bytes().first() {
        Some(b'"') => serde_json::from_str::<String>(raw).map(Cow::Owned).map_err(|e| not_json(&e)),
        Some(b'[') if list => {
            let parts: Vec<String> = serde_json::from_str(raw).map_err(|_| Cause::NotAText)?;
            if parts.iter().any(|p| p.contains('|')) {
                return Err(Cause::NotAText);
            }
            Ok(Cow::Owned(parts.join("|")))
        }
        Some(b'[' | b'{') => Err(Cause::NotAText),
        _ => Ok(Cow::Borrowed(raw)),
    }
}
