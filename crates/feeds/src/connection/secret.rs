//! How requests are authenticated. Secrets appear here by name only.

use super::parts::{Read, Reader};
use super::raw::{RawSecret, Text};
use super::{Base, ConnectionError};
use url::Url;

/// The longest scope: a list of a few words.
const MAX_SCOPE: usize = 500;

/// How a secret is sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SecretAs {
    /// `Authorization: Bearer …` (RFC 6750).
    Bearer,
    /// `Authorization: Basic …` (RFC 7617); the secret is `user:password`.
    Basic,
    /// In this header.
    Header(String),
    /// In the query of every address, as a parameter with this name.
    Query(String),
    /// As an access token that it is exchanged for (RFC 6749, 4.4); the secret is `client:secret`.
    Token(Box<TokenGrant>),
}

/// How to get an access token (RFC 6749, 4.4: client credentials).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenGrant {
    /// The token endpoint.
    pub at: Url,
    /// What the token is for; empty leaves that to the online shop.
    pub scope: String,
    /// How the client authenticates there.
    pub client: ClientIn,
}

/// How a client authenticates at the token endpoint (RFC 6749, 2.3.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClientIn {
    /// By HTTP Basic, which every endpoint must support.
    Header,
    /// By `client_id` and `client_secret` in the body.
    Body,
}

/// The name under which a secret is stored; the secret itself is in no connection.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct SecretName(String);

impl SecretName {
    /// 1 to 40 lowercase letters, digits and hyphens: safe in the name of a file or variable.
    pub fn parse(text: &str) -> Option<Self> {
        let fits = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
        let is_name =
            !text.is_empty() && text.len() <= 40 && text.bytes().all(fits) && !text.starts_with('-');
        is_name.then(|| Self(text.to_owned()))
    }

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// A secret and how it is sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SecretUse {
    /// The name of the secret.
    pub name: SecretName,
    /// How it is sent.
    pub how: SecretAs,
}

/// The value of `as`, and the key that it needs.
#[derive(Clone, Copy, PartialEq, Eq)]
enum As {
    Bearer,
    Basic,
    Header,
    Query,
    OAuth,
}

impl Reader<'_> {
    pub(super) fn name(&self, key: &str, text: &Text) -> Read<SecretName> {
        let why =
            "a secret's name has small letters, digits and hyphens; the secret itself never stands here";
        // Somebody may have put the secret itself here by mistake, so it is not shown.
        SecretName::parse(text.get_ref()).ok_or_else(|| ConnectionError::Value {
            line: self.line(text.span().start),
            key: key.to_owned(),
            value: "…".to_owned(),
            why: why.to_owned(),
        })
    }

    pub(super) fn secret(&self, raw: &RawSecret, private: bool) -> Read<SecretUse> {
        let name = self.name("[secret] name", &raw.name)?;
        let line = self.line(raw.name.span().start);
        let together = |why| ConnectionError::Together { line, table: "[secret]", why };
        let known = [
            ("bearer", As::Bearer),
            ("basic", As::Basic),
            ("header", As::Header),
            ("query", As::Query),
            ("oauth", As::OAuth),
        ];
        let how = self.word("[secret] as", raw.how.as_ref(), As::Bearer, &known)?;
        let misplaced = [
            (raw.header.is_some() && how != As::Header, "has header, which is only for as = \"header\""),
            (raw.query.is_some() && how != As::Query, "has query, which is only for as = \"query\""),
            (raw.token.is_some() && how != As::OAuth, "has token, which is only for as = \"oauth\""),
            (raw.scope.is_some() && how != As::OAuth, "has scope, which is only for as = \"oauth\""),
            (raw.client.is_some() && how != As::OAuth, "has client, which is only for as = \"oauth\""),
        ];
        if let Some((_, why)) = misplaced.into_iter().find(|(is_misplaced, _)| *is_misplaced) {
            return Err(together(why));
        }
        let how = match (how, &raw.header, &raw.query, &raw.token) {
            (As::Bearer, ..) => SecretAs::Bearer,
            (As::Basic, ..) => SecretAs::Basic,
            (As::Header, Some(header), ..) => SecretAs::Header(self.header("[secret] header", header)?),
            (As::Query, _, Some(query), _) => SecretAs::Query(self.parameter(query)?),
            (As::OAuth, _, _, Some(token)) => SecretAs::Token(Box::new(self.grant(raw, token, private)?)),
            (As::Header, None, ..) => {
                return Err(together("with as = \"header\" needs header, such as header = \"X-Key\""));
            }
            (As::Query, _, None, _) => {
                return Err(together("with as = \"query\" needs query, such as query = \"key\""));
            }
            (As::OAuth, _, _, None) => {
                return Err(together(
                    "with as = \"oauth\" needs token, the address that gives access tokens",
                ));
            }
        };
        Ok(SecretUse { name, how })
    }

    fn parameter(&self, text: &Text) -> Read<String> {
        let name = text.get_ref();
        let is_name = !name.is_empty()
            && name.len() <= 64
            && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.~".contains(&b));
        if is_name {
            return Ok(name.clone());
        }
        Err(self.wrong("[secret] query", text, "write the name of the parameter alone, such as key"))
    }

    fn grant(&self, raw: &RawSecret, token: &Text, private: bool) -> Read<TokenGrant> {
        // The only address that may be elsewhere: many shops issue tokens on a host of their own.
        let at = Base::parse(token.get_ref(), private).map_err(|why| {
            let mut error = self.wrong("[secret] token", token, why);
            if let (true, ConnectionError::Value { value, .. }) = (token.get_ref().contains('@'), &mut error)
            {
                "…".clone_into(value);
            }
            error
        })?;
        let scope = raw.scope.as_ref().map(|scope| self.scope(scope)).transpose()?.unwrap_or_default();
        let known = [("header", ClientIn::Header), ("body", ClientIn::Body)];
        let client = self.word("[secret] client", raw.client.as_ref(), ClientIn::Header, &known)?;
        Ok(TokenGrant { at: at.url().clone(), scope, client })
    }

    /// Words of printable ASCII without quotes and backslashes, separated by a space (RFC 6749, 3.3).
    fn scope(&self, text: &Text) -> Read<String> {
        let scope = text.get_ref();
        let fits = |b: u8| b.is_ascii_graphic() && !matches!(b, b'"' | b'\\');
        let is_scope = scope.len() <= MAX_SCOPE
            && scope.split(' ').all(|word| !word.is_empty() && word.bytes().all(fits));
        if is_scope {
            return Ok(scope.clone());
        }
        Err(self.wrong("[secret] scope", text, "write words with one space between, such as orders listings"))
    }
}
