//! Headers that are sent with every request.

use super::ConnectionError;
use super::parts::{Read, Reader};
use super::raw::Text;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The most fixed headers, and the longest value of one. Our own bounds.
const MAX_HEADERS: usize = 20;
const MAX_VALUE: usize = 500;
/// Headers that the program writes itself, or that HTTP needs.
const OWN_HEADERS: [&str; 13] = [
    "host",
    "content-length",
    "content-type",
    "transfer-encoding",
    "connection",
    "accept",
    "accept-encoding",
    "user-agent",
    "idempotency-key",
    "if-match",
    "if-none-match",
    "te",
    "upgrade",
];
/// A shop may need other values of these than the usual ones.
const REPLACED: [&str; 2] = ["accept", "content-type"];
/// Credentials belong under `[secret]`, never in plain text.
const OF_SECRETS: [&str; 3] = ["authorization", "proxy-authorization", "cookie"];

/// A header's name is a token (RFC 9110, 5.6.2).
fn is_token(name: &str) -> bool {
    !name.is_empty()
        && name.len() <= 64
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"!#$%&'*+-.^_`|~".contains(&b))
}

impl Reader<'_> {
    /// A header's name, unless the program or HTTP uses it.
    pub(super) fn header(&self, key: &str, text: &Text) -> Read<String> {
        let name = text.get_ref();
        if !is_token(name) || OWN_HEADERS.contains(&name.to_ascii_lowercase().as_str()) {
            return Err(self.wrong(key, text, "write the name of a header of its own, such as X-Key"));
        }
        Ok(name.clone())
    }

    pub(super) fn headers(&self, raw: &BTreeMap<Text, Text>) -> Read<Vec<(String, String)>> {
        let mut headers: Vec<(String, String)> = Vec::with_capacity(raw.len());
        for (name, value) in raw {
            let line = self.line(name.span().start);
            let together = |why| Err(ConnectionError::Together { line, table: "[headers]", why });
            let plain = name.get_ref().to_ascii_lowercase();
            if OF_SECRETS.contains(&plain.as_str()) {
                return together("never holds a secret; name it under [secret]");
            }
            if !REPLACED.contains(&plain.as_str()) {
                self.header("[headers]", name)?;
            }
            let shown = value.get_ref().bytes().all(|b| b == b' ' || b.is_ascii_graphic());
            if value.get_ref().is_empty() || value.get_ref().len() > MAX_VALUE || !shown {
                let key = format!("[headers] {plain}");
                return Err(self.wrong(&key, value, "write 1 to 500 printable ASCII characters"));
            }
            if headers.iter().any(|(known, _)| *known == plain) {
                return together("has one header twice, in capitals and in small letters");
            }
            if headers.len() == MAX_HEADERS {
                return together("has at most 20 headers");
            }
            headers.push((plain, value.get_ref().clone()));
        }
        Ok(headers)
    }

    pub(super) fn ca_file(&self, text: &Text) -> Read<PathBuf> {
        let path = Path::new(text.get_ref());
        // The file is read by whichever process talks to the shop, from whatever folder it was
        // started in.
        if path.is_absolute() && !text.get_ref().contains('\0') {
            return Ok(path.to_owned());
        }
        Err(self.wrong("ca_file", text, "write the whole path of a PEM file, such as /etc/ssl/own-ca.pem"))
    }
}
