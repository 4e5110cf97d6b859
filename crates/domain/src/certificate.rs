//! The number of a gift certificate: whoever knows it can spend what it is worth, so it cannot be guessed.
//!
//! It is 80 random bits in the 32 digits that are not mistaken for each other, and a check digit by ISO/IEC 7064,
//! MOD 37,36, which finds every wrong digit and nearly every exchange of two neighbors.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Random bytes in a number: a guesser who could try a million a second would need longer than the world has.
pub const RANDOM_BYTES: usize = 10;
/// The digits of a number, without those that look like others: I and L like 1, O like 0; U makes words.
const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Five bits each.
const RANDOM_DIGITS: usize = RANDOM_BYTES * 8 / 5;
/// How many digits stand together when a number is shown; the check digit follows the last group.
const GROUP: usize = 4;
/// How many digits tell a certificate from others where nobody needs to spend it.
const LAST: usize = 4;

/// The number of a gift certificate.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct CertificateNumber([u8; RANDOM_DIGITS + 1]);

/// Why a text is no number of a gift certificate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CertificateNumberError {
    /// Not 17 characters.
    #[error("a gift certificate's number has 17 letters and digits, like 4K7M-9QXR-2TBH-6WZCE")]
    Length,
    /// A character that no number has.
    #[error("a gift certificate's number has letters and digits only, without U")]
    Character,
    /// The check digit is another: a digit is wrong, or two are exchanged.
    #[error("this is not a gift certificate's number; compare it with the certificate, digit by digit")]
    CheckDigit,
}

impl CertificateNumber {
    /// Draws a number. Its check digit must be one of the 32 digits too, so `random` may be asked more than once.
    pub fn draw(mut random: impl FnMut() -> [u8; RANDOM_BYTES]) -> Self {
        loop {
            if let Some(number) = Self::from_random(random()) {
                return number;
            }
        }
    }

    fn from_random(bytes: [u8; RANDOM_BYTES]) -> Option<Self> {
        let bits = bytes.iter().fold(0_u128, |bits, byte| bits << 8 | u128::from(*byte));
        let mut digits = [0; RANDOM_DIGITS + 1];
        for (index, digit) in digits.iter_mut().take(RANDOM_DIGITS).enumerate() {
            let five = usize::try_from(bits >> (5 * (RANDOM_DIGITS - 1 - index)) & 31).unwrap_or(0);
            *digit = DIGITS[five];
        }
        digits[RANDOM_DIGITS] = check_digit(&digits[..RANDOM_DIGITS])?;
        DIGITS.contains(&digits[RANDOM_DIGITS]).then_some(Self(digits))
    }

    /// Reads a number as somebody types it: hyphens and spaces are left out, and letters that look like digits are
    /// those digits.
    pub fn parse(text: &str) -> Result<Self, CertificateNumberError> {
        let mut digits = [0; RANDOM_DIGITS + 1];
        let mut typed = text.chars().filter(|c| !c.is_whitespace() && *c != '-');
        for digit in &mut digits {
            *digit = digit_of(typed.next().ok_or(CertificateNumberError::Length)?)?;
        }
        if typed.next().is_some() {
            return Err(CertificateNumberError::Length);
        }
        if check_digit(&digits[..RANDOM_DIGITS]) != Some(digits[RANDOM_DIGITS]) {
            return Err(CertificateNumberError::CheckDigit);
        }
        Ok(Self(digits))
    }

    /// The last digits, by which people tell certificates apart.
    pub fn last_four(self) -> String {
        self.0[self.0.len() - LAST..].iter().map(|digit| char::from(*digit)).collect()
    }
}

fn digit_of(typed: char) -> Result<u8, CertificateNumberError> {
    let folded = match typed.to_ascii_uppercase() {
        'I' | 'L' => '1',
        'O' => '0',
        other => other,
    };
    let byte = u8::try_from(folded).map_err(|_| CertificateNumberError::Character)?;
    DIGITS.contains(&byte).then_some(byte).ok_or(CertificateNumberError::Character)
}

/// The check digit by ISO/IEC 7064, MOD 37,36; none if there is a character that the system does not know.
pub fn check_digit(text: &[u8]) -> Option<u8> {
    const ALL: &[u8; 36] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";
    let value = |byte: &u8| ALL.iter().position(|of| of == byte);
    let product = text.iter().try_fold(36, |product, byte| {
        let sum = match (product + value(byte)?) % 36 {
            0 => 36,
            sum => sum,
        };
        Some(sum * 2 % 37)
    })?;
    ALL.get((37 - product) % 36).copied()
}

impl fmt::Display for CertificateNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, digit) in self.0.iter().enumerate() {
            if index > 0 && index < RANDOM_DIGITS && index % GROUP == 0 {
                f.write_str("-")?;
            }
            write!(f, "{}", char::from(*digit))?;
        }
        Ok(())
    }
}

/// Only the last digits: a log must not hold what can be spent.
impl fmt::Debug for CertificateNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "CertificateNumber(…{})", self.last_four())
    }
}

impl FromStr for CertificateNumber {
    type Err = CertificateNumberError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::parse(text)
    }
}

impl TryFrom<String> for CertificateNumber {
    type Error = CertificateNumberError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        Self::parse(&text)
    }
}

impl From<CertificateNumber> for String {
    fn from(number: CertificateNumber) -> Self {
        number.to_string()
    }
}
