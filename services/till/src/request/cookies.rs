//! The cookies of a browser, and how each is protected.
//!
//! Over https they are `Secure` and begin with `__Host-`, so that no other name in the domain can set them
//! (OWASP ASVS 5.0.0, 3.3.1 and 3.3.3). On this machine itself there is no TLS.

use crate::traffic::visit::Via;
use axum::http::{HeaderMap, HeaderValue, header};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cookie {
    Session,
    /// The browser of a registered device.
    Device,
    /// A browser in which nobody is signed in yet, so that the sign-in form belongs to it.
    Before,
    /// Somebody whose password was right and whose code is missing.
    Step,
    /// A browser in which somebody was signed in before: its attempts are counted separately.
    Known,
    /// The channel at which this device sells.
    Channel,
}

impl Cookie {
    fn name(self, via: Via) -> &'static str {
        match (via, self) {
            (Via::Machine, Self::Session) => "fleecefold-session",
            (Via::Machine, Self::Device) => "fleecefold-device",
            (Via::Machine, Self::Before) => "fleecefold-before",
            (Via::Machine, Self::Step) => "fleecefold-step",
            (Via::Machine, Self::Known) => "fleecefold-known",
            (Via::Machine, Self::Channel) => "fleecefold-channel",
            (Via::Site, Self::Session) => "__Host-fleecefold-session",
            (Via::Site, Self::Device) => "__Host-fleecefold-device",
            (Via::Site, Self::Before) => "__Host-fleecefold-before",
            (Via::Site, Self::Step) => "__Host-fleecefold-step",
            (Via::Site, Self::Known) => "__Host-fleecefold-known",
            (Via::Site, Self::Channel) => "__Host-fleecefold-channel",
        }
    }

    /// Its value in a request; one that comes twice was not set by us and counts as missing.
    pub(crate) fn read(self, via: Via, headers: &HeaderMap) -> Option<String> {
        let pairs = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
        let mut found = pairs
            .flat_map(|line| line.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .filter(|(name, _)| *name == self.name(via))
            .map(|(_, value)| value.to_owned());
        let value = found.next().filter(|value| !value.is_empty())?;
        found.next().is_none().then_some(value)
    }

    /// The header that sets it for this many seconds; `Lax`, so that somebody who follows a link from elsewhere
    /// is signed in.
    pub(crate) fn set(self, via: Via, value: &str, seconds: i64) -> HeaderValue {
        let secure = if via == Via::Site { "; Secure" } else { "" };
        let name = self.name(via);
        let text = format!("{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{secure}");
        // Names, base64url and digits are valid in a header.
        HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static(""))
    }

    pub(crate) fn unset(self, via: Via) -> HeaderValue {
        self.set(via, "", 0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // OWASP ASVS 5.0.0, 3.3.1 to 3.3.4; RFC 6265bis, 4.1.3.2.
    #[test]
    fn cookies_are_kept_from_scripts_and_others() {
        let check = |via: Via, expected: &str| assert_eq!(Cookie::Session.set(via, "abc", 60), expected);
        check(Via::Machine, "fleecefold-session=abc; Path=/; Max-Age=60; HttpOnly; SameSite=Lax");
        check(Via::Site, "__Host-fleecefold-session=abc; Path=/; Max-Age=60; HttpOnly; SameSite=Lax; Secure");
        assert_eq!(
            Cookie::Before.unset(Via::Machine),
            "fleecefold-before=; Path=/; Max-Age=0; HttpOnly; SameSite=Lax"
        );
    }

    #[test]
    fn a_cookie_is_found_by_its_very_name() {
        let check = |lines: &[&'static str], expected: Option<&str>| {
            let mut headers = HeaderMap::new();
            for line in lines {
                headers.append(header::COOKIE, HeaderValue::from_static(line));
            }
            assert_eq!(Cookie::Session.read(Via::Machine, &headers).as_deref(), expected, "{lines:?}");
        };
        check(&["fleecefold-session=abc"], Some("abc"));
        check(&["a=1; fleecefold-session=abc; b=2"], Some("abc"));
        check(&["a=1", "fleecefold-session=abc"], Some("abc"));
        check(&["__Host-fleecefold-session=abc"], None);
        check(&["fleecefold-session=abc; fleecefold-session=def"], None);
        check(&["fleecefold-session="], None);
        check(&["xfleecefold-session=abc"], None);
        check(&[], None);
    }
}
