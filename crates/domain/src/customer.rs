//! Customers: how they can be reached, and the terms that the shop gives them.

use crate::day::Day;
use crate::discount::Off;
use crate::money::plain_decimal;
use crate::text::{self, TextError};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The longest e-mail address: RFC 5321, 4.5.3.1.3, a path of 256 octets with its brackets.
pub const MAX_EMAIL_CHARS: usize = 254;
/// The longest phone number as written. Our own bound; E.164 has at most 15 digits.
pub const MAX_PHONE_CHARS: usize = 40;
/// The fewest digits of a phone number. Our own bound: an extension.
const MIN_PHONE_DIGITS: usize = 3;
/// The most digits: E.164 has 15, and an extension of five may follow.
const MAX_PHONE_DIGITS: usize = 20;
/// The fewest digits in a search for a phone number. Fewer are in nearly all of them.
const MIN_SEARCHED_DIGITS: usize = 3;

/// What is wrong with a customer's data.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CustomerError {
    /// Not an e-mail address.
    #[error("this is not an e-mail address; enter one such as ada@example.com")]
    NotAnEmail,
    /// Not a phone number.
    #[error("this is not a phone number; enter digits, with spaces, +, -, ( ) or an extension such as x12")]
    NotAPhone,
    /// Not above 0, above 100%, or with too many decimals.
    #[error("a default discount is a percentage above 0 and at most 100, with at most 2 decimals")]
    NotADiscount,
}

/// A customer's default discount, in hundredths of a percent: 1 to 10,000.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "i64", into = "i64")]
pub struct BasisPoints(u16);

impl BasisPoints {
    /// All of the price.
    const WHOLE: u16 = 10_000;

    /// Reads `10`, `10%` or `12.5 %`.
    pub fn parse(text: &str) -> Result<Self, CustomerError> {
        let text = text.trim();
        let percent = plain_decimal(text.strip_suffix('%').unwrap_or(text).trim_end());
        let points = percent.and_then(|percent| percent.checked_mul(Decimal::ONE_HUNDRED));
        let points = points.filter(|points| points.fract().is_zero()).and_then(|points| points.to_i64());
        points.map_or(Err(CustomerError::NotADiscount), Self::try_from)
    }

    /// As a discount on a sale.
    pub fn off(self) -> Off {
        // 0.01 to 100, as a discount in percent may be.
        Off::percent(Decimal::new(i64::from(self.0), 2)).unwrap_or(Off::ALL)
    }

    /// For people to read: `12.5%`.
    pub fn shown(self) -> String {
        self.off().shown()
    }
}

impl TryFrom<i64> for BasisPoints {
    type Error = CustomerError;
    fn try_from(points: i64) -> Result<Self, CustomerError> {
        let points = u16::try_from(points).map_err(|_| CustomerError::NotADiscount)?;
        if (1..=Self::WHOLE).contains(&points) { Ok(Self(points)) } else { Err(CustomerError::NotADiscount) }
    }
}

impl From<BasisPoints> for i64 {
    fn from(points: BasisPoints) -> Self {
        Self::from(points.0)
    }
}

/// The percentage without its sign: `12.5`.
impl fmt::Display for BasisPoints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&Decimal::new(i64::from(self.0), 2).normalize(), f)
    }
}

/// An exemption from sales tax.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Exemption {
    /// The number of the customer's certificate.
    pub certificate: String,
    /// The last day on which the shop must be able to show whose it is.
    pub keep_until: Day,
}

/// The terms on which a customer buys.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Terms {
    /// Whether they buy to sell again.
    pub wholesale: bool,
    /// Why no sales tax is charged; none for most.
    pub exemption: Option<Exemption>,
    /// Taken off each sale unless the counter removes it.
    pub discount: Option<BasisPoints>,
}

/// A customer's name and how they can be reached; only the name is required.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Contact {
    /// One line.
    pub name: String,
    /// May be empty.
    pub email: String,
    /// As written; may be empty.
    pub phone: String,
    /// May be empty.
    pub note: String,
}

/// An e-mail address, or nothing. Only its form is checked: one character `@` with something around it, and a dot
/// in the domain.
pub fn email(text: &str) -> Result<String, CustomerError> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(String::new());
    }
    let is_plain = text.chars().all(|c| !c.is_whitespace() && !c.is_control() && !"<>,;\"()".contains(c));
    let (local, domain) = text.split_once('@').ok_or(CustomerError::NotAnEmail)?;
    let has_domain = domain.split('.').count() > 1 && domain.split('.').all(|part| !part.is_empty());
    let fits = text.chars().count() <= MAX_EMAIL_CHARS;
    if is_plain && fits && !local.is_empty() && has_domain && !domain.contains('@') {
        return Ok(text.to_owned());
    }
    Err(CustomerError::NotAnEmail)
}

/// A phone number as written, or nothing. It is not searched for card numbers, which it may resemble.
pub fn phone(text: &str) -> Result<String, CustomerError> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(String::new());
    }
    let is_plain = text.chars().all(|c| c.is_ascii_digit() || " +-()./x#".contains(c));
    let digits = digits(text).len();
    if is_plain && text.len() <= MAX_PHONE_CHARS && (MIN_PHONE_DIGITS..=MAX_PHONE_DIGITS).contains(&digits) {
        return Ok(text.to_owned());
    }
    Err(CustomerError::NotAPhone)
}

fn digits(text: &str) -> String {
    text.chars().filter(char::is_ascii_digit).collect()
}

/// The number of a certificate: a name without an empty one.
pub fn certificate(text: &str) -> Result<String, TextError> {
    text::name(text)
}

impl Contact {
    /// The text that a search looks at: name, e-mail address and the phone number's digits, a line each.
    pub fn folded(&self) -> String {
        format!("{}\n{}\n{}", text::fold(&self.name), text::fold(&self.email), digits(&self.phone))
    }
}

/// The parts that a search must find in [`Contact::folded`]. Without letters it is a phone number, whose digits
/// stand together.
pub fn searched(words: &str) -> Vec<String> {
    let is_phone = words.chars().any(|c| c.is_ascii_digit())
        && words.chars().all(|c| c.is_ascii_digit() || c.is_whitespace() || "+-()./".contains(c));
    let digits = digits(words);
    if is_phone && digits.len() >= MIN_SEARCHED_DIGITS {
        return vec![digits];
    }
    text::fold(words).split_whitespace().map(str::to_owned).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_default_discount_is_a_percentage_in_hundredths() {
        let check = |text: &str, expected: Result<i64, CustomerError>| {
            assert_eq!(BasisPoints::parse(text).map(i64::from), expected, "{text}");
        };
        let wrong = || Err(CustomerError::NotADiscount);
        check("10", Ok(1000));
        check(" 12.5 % ", Ok(1250));
        check("0.01%", Ok(1));
        check("100", Ok(10_000));
        for text in ["", "0", "100.01", "12.345", "-5", "ten", "1e2", "99999999999999999999999999999"] {
            check(text, wrong());
        }
        let points = BasisPoints::parse("12.50").expect("a percentage");
        assert_eq!((points.to_string().as_str(), points.shown().as_str()), ("12.5", "12.5%"));
        assert_eq!(BasisPoints::try_from(0), wrong().map(|_: i64| points));
    }

    #[test]
    fn an_address_and_a_number_have_their_form() {
        let check = |text: &str, is_email: bool, is_phone: bool| {
            assert_eq!((email(text).is_ok(), phone(text).is_ok()), (is_email, is_phone), "{text}");
        };
        check("", true, true);
        check("ada@example.com", true, false);
        check("ada+yarn@mail.example.co.uk", true, false);
        for text in ["ada", "ada@", "@example.com", "ada@example", "a@b@c.de", "a da@example.com", "a@b..de"]
        {
            check(text, false, false);
        }
        check("Ada <ada@example.com>", false, false);
        check(&format!("{}@example.com", "a".repeat(250)), false, false);
        check("+1 (802) 555-0142 x12", false, true);
        // Passes the check of a card number.
        check("4000000000000002", false, true);
        check("12", false, false);
        check("1234567890123456789012", false, false);
        check("802 555 CALL", false, false);
    }

    #[test]
    fn a_search_looks_for_words_or_for_a_number() {
        let ada = Contact {
            name: "Ada M\u{f6}ss".to_owned(),
            email: "Ada@Example.com".to_owned(),
            phone: "+1 (802) 555-0142".to_owned(),
            note: "likes fawn".to_owned(),
        };
        assert_eq!(ada.folded(), "ada moss\nada@example.com\n18025550142");
        let check = |words: &str, expected: &[&str]| assert_eq!(searched(words), expected, "{words}");
        check(" Moss  ADA ", &["moss", "ada"]);
        check("555-0142", &["5550142"]);
        check("42", &["42"]);
        check("ada 42", &["ada", "42"]);
        check("", &[]);
    }
}
