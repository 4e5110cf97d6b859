//! Channels: where sales happen.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The longest channel code. Our own bound.
pub const MAX_CHANNEL_CHARS: usize = 32;

/// A channel code: `store`, `online`, `market`, `wholesale`, or one of the owner's.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Channel(String);

/// Not a channel code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[error(
    "“{text}” is not a channel code; use lowercase letters, digits and hyphens, such as store or spring-fair"
)]
pub struct NotAChannel {
    text: String,
}

impl Channel {
    /// The channels that every shop has.
    pub const BUILT_IN: [&'static str; 4] = ["store", "online", "market", "wholesale"];

    /// Lowercase ASCII letters, digits and hyphens, beginning with a letter.
    pub fn parse(text: &str) -> Result<Self, NotAChannel> {
        let first = text.bytes().next().is_some_and(|b| b.is_ascii_lowercase());
        let rest = text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
        if !first || !rest || text.len() > MAX_CHANNEL_CHARS {
            return Err(NotAChannel { text: text.chars().take(40).collect() });
        }
        Ok(Self(text.to_owned()))
    }

    /// The farm's own store.
    pub fn store() -> Self {
        Self("store".to_owned())
    }

    /// The channel of online shops, unless a connection names another.
    pub fn online() -> Self {
        Self("online".to_owned())
    }

    /// The code, for the database and the API.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl TryFrom<String> for Channel {
    type Error = NotAChannel;
    fn try_from(text: String) -> Result<Self, NotAChannel> {
        Self::parse(&text)
    }
}

impl From<Channel> for String {
    fn from(channel: Channel) -> Self {
        channel.0
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_codes_of_small_letters_digits_and_hyphens() {
        for code in Channel::BUILT_IN.into_iter().chain(["spring-fair", "fair2026", "a", &"a".repeat(32)]) {
            assert_eq!(Channel::parse(code).map(String::from), Ok(code.to_owned()));
        }
        let longer = "a".repeat(33);
        for wrong in
            ["", "Store", "spring fair", "2026-fair", "-fair", "foire_d\u{e9}t\u{e9}", " store", &longer]
        {
            let refused = Channel::parse(wrong).unwrap_err().to_string();
            assert!(refused.contains("is not a channel code"), "{wrong:?}: {refused}");
        }
        assert_eq!((Channel::store().as_str(), Channel::online().as_str()), ("store", "online"));
    }
}
