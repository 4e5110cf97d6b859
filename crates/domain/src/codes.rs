//! Codes that identify an item: the shop's own number, the owner's SKU, a GTIN.
//!
//! The shop's own 13-digit numbers are in GS1's range for restricted circulation (prefix 2), so any
//! scanner reads them and the check digit catches typing errors. They are not unique in the world and
//! must never leave the shop as a GTIN.

use serde::{Deserialize, Serialize};
use std::fmt;

/// The longest code that is accepted, in characters: what fits on one line of a tag.
pub const MAX_CODE_CHARS: usize = 64;
/// The largest in-store number: eleven digits between the prefix 2 and the check digit.
pub const MAX_IN_STORE_NUMBER: i64 = 99_999_999_999;

/// What is wrong with a code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CodeError {
    /// Empty, or only spaces.
    #[error("the code is empty")]
    Empty,
    /// Longer than [`MAX_CODE_CHARS`].
    #[error("the code has more than {MAX_CODE_CHARS} characters")]
    TooLong,
    /// It contains a line break or another control character.
    #[error("the code holds a character that cannot be printed")]
    NotPrintable,
    /// Not 8, 12, 13 or 14 ASCII digits.
    #[error("“{text}” is not a GTIN; it has 8, 12, 13 or 14 digits")]
    NotAGtin {
        /// The text as typed, cut short.
        text: String,
    },
    /// The check digit is wrong.
    #[error("“{text}” has a wrong digit: its check digit should be {expected}; scan or type it again")]
    WrongCheckDigit {
        /// The text as typed.
        text: String,
        /// The right check digit.
        expected: u8,
    },
    /// All digits are 0.
    #[error("a GTIN of zeros alone names nothing")]
    AllZero,
    /// A number from the range for use within one shop.
    #[error(
        "“{text}” is a number for use within one shop (GS1 restricted circulation); give it as sku, not as gtin13"
    )]
    Restricted {
        /// The text as typed.
        text: String,
    },
    /// All in-store numbers are used.
    #[error("the shop's own numbers are used up")]
    UsedUp,
}

/// GS1's check digit for the digits before it: from the right, with weights 3, 1, 3, 1 … (GS1 General
/// Specifications, section 7.9). None if the text has anything but ASCII digits.
pub fn gs1_check_digit(body: &str) -> Option<u8> {
    if body.is_empty() || !body.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let sum: u32 = body
        .bytes()
        .rev()
        .enumerate()
        .map(|(place, b)| u32::from(b - b'0') * if place % 2 == 0 { 3 } else { 1 })
        .sum();
    u8::try_from((10 - sum % 10) % 10).ok()
}

/// Whether the text could be a GTIN: 8, 12, 13 or 14 ASCII digits.
fn has_gtin_form(text: &str) -> bool {
    matches!(text.len(), 8 | 12 | 13 | 14) && text.bytes().all(|b| b.is_ascii_digit())
}

fn expected_check(text: &str) -> Option<u8> {
    text.get(..text.len().checked_sub(1)?).and_then(gs1_check_digit)
}

fn has_right_check(text: &str) -> bool {
    expected_check(text).is_some_and(|d| text.bytes().last() == Some(b'0' + d))
}

/// A code as it was scanned or typed, with spaces around it trimmed and its case kept.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String")]
pub struct Code(String);

impl TryFrom<String> for Code {
    type Error = CodeError;
    fn try_from(text: String) -> Result<Self, CodeError> {
        Self::parse(&text)
    }
}

impl Code {
    /// Accepts any kind: SKU, in-store number or GTIN.
    pub fn parse(text: &str) -> Result<Self, CodeError> {
        let text = text.trim();
        if text.is_empty() {
            return Err(CodeError::Empty);
        }
        if text.chars().count() > MAX_CODE_CHARS {
            return Err(CodeError::TooLong);
        }
        if text.chars().any(char::is_control) {
            return Err(CodeError::NotPrintable);
        }
        Ok(Self(text.to_owned()))
    }

    /// The code as it was given.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The form in which codes are stored and looked up. A number with a right check digit is padded to
    /// 14 digits, so that a GTIN in 12, 13 or 14 digits finds one item; other codes stay as they are.
    pub fn key(&self) -> String {
        if has_gtin_form(&self.0) && has_right_check(&self.0) {
            format!("{:0>14}", self.0)
        } else {
            self.0.clone()
        }
    }

    /// For a code that found nothing: an error if a wrong check digit explains it.
    pub fn check_digit_slip(&self) -> Result<(), CodeError> {
        match expected_check(&self.0) {
            Some(expected) if has_gtin_form(&self.0) && !has_right_check(&self.0) => {
                Err(CodeError::WrongCheckDigit { text: self.0.clone(), expected })
            }
            _ => Ok(()),
        }
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A number that was assigned by GS1 or one of its members; unique in the world.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String")]
pub struct Gtin(String);

impl TryFrom<String> for Gtin {
    type Error = CodeError;
    fn try_from(text: String) -> Result<Self, CodeError> {
        Self::parse(&text)
    }
}

impl Gtin {
    /// Accepts 8, 12, 13 or 14 digits with a right check digit, outside the restricted ranges.
    pub fn parse(text: &str) -> Result<Self, CodeError> {
        let text = text.trim();
        let shown = || text.chars().take(40).collect::<String>();
        if !has_gtin_form(text) {
            return Err(CodeError::NotAGtin { text: shown() });
        }
        if text.bytes().all(|b| b == b'0') {
            return Err(CodeError::AllZero);
        }
        if let (false, Some(expected)) = (has_right_check(text), expected_check(text)) {
            return Err(CodeError::WrongCheckDigit { text: shown(), expected });
        }
        let gtin = Self(text.to_owned());
        if gtin.is_restricted() { Err(CodeError::Restricted { text: shown() }) } else { Ok(gtin) }
    }

    /// In 13 digits (schema.org: 12 digits get a zero in front). A 14-digit number that does not begin
    /// with 0 is a case of several items and has no 13-digit form.
    pub fn gtin13(&self) -> Option<String> {
        let padded = format!("{:0>14}", self.0);
        padded.strip_prefix('0').map(str::to_owned)
    }

    /// As a code to look up.
    pub fn code(&self) -> Code {
        Code(self.0.clone())
    }

    /// The digits as given.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// GS1 prefixes 02, 04 and 2 in the 13-digit form, and GTIN-8 that begin with 0 or 2.
    fn is_restricted(&self) -> bool {
        if self.0.len() == 8 {
            return self.0.starts_with(['0', '2']);
        }
        let padded = format!("{:0>14}", self.0);
        ["002", "004", "02"].iter().any(|p| padded.starts_with(p))
    }
}

/// The shop's own number for an item, in 13 digits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String")]
pub struct InStoreCode(String);

impl TryFrom<String> for InStoreCode {
    type Error = CodeError;
    /// Reads back the 13 digits that [`InStoreCode::from_number`] made.
    fn try_from(text: String) -> Result<Self, CodeError> {
        let number = text.strip_prefix('2').and_then(|t| t.get(..11)).and_then(|t| t.parse().ok());
        let made = number.and_then(|number| Self::from_number(number).ok());
        made.filter(|m| m.0 == text).ok_or(CodeError::NotAGtin { text })
    }
}

impl InStoreCode {
    /// The shop's `number`th number, counted from 1.
    pub fn from_number(number: i64) -> Result<Self, CodeError> {
        if !(1..=MAX_IN_STORE_NUMBER).contains(&number) {
            return Err(CodeError::UsedUp);
        }
        let body = format!("2{number:011}");
        let check = gs1_check_digit(&body).ok_or(CodeError::UsedUp)?;
        Ok(Self(format!("{body}{check}")))
    }

    /// As a code to look up.
    pub fn code(&self) -> Code {
        Code(self.0.clone())
    }

    /// The 13 digits.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}
