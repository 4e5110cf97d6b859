//! The code of a receipt: what its barcode says, so that scanning it finds the sale.

use std::fmt;

/// In front of the number. No item may have a SKU like this, so a scan never means both.
const PREFIX: &str = "RCPT";
/// The fewest digits; an even number of them is what the barcode packs most densely.
const DIGITS: usize = 6;
/// The most digits that can be a receipt's number.
const MAX_DIGITS: usize = 18;

/// A receipt's number as its barcode has it: `RCPT001042`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReceiptCode(i64);

impl ReceiptCode {
    /// For a receipt.
    pub const fn of(receipt: i64) -> Self {
        Self(receipt)
    }

    /// Reads a scanned or typed text, in capitals or not; none if it is no receipt's code.
    pub fn read(text: &str) -> Option<Self> {
        let text = text.trim();
        let (prefix, digits) = text.split_at_checked(PREFIX.len())?;
        let is_number = !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit());
        if !prefix.eq_ignore_ascii_case(PREFIX) || !is_number || digits.len() > MAX_DIGITS {
            return None;
        }
        digits.parse().ok().map(Self)
    }

    /// The receipt's number.
    pub const fn receipt(self) -> i64 {
        self.0
    }
}

impl fmt::Display for ReceiptCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = self.0.to_string();
        let width = digits.len().next_multiple_of(2).max(DIGITS);
        write!(f, "{PREFIX}{digits:0>width$}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_read_back() {
        for number in [1, 42, 999_999, 1_000_000, 12_345_678_901] {
            let code = ReceiptCode::of(number).to_string();
            assert_eq!(ReceiptCode::read(&code), Some(ReceiptCode::of(number)), "{code}");
            assert!(code.len().is_multiple_of(2), "{code}");
        }
        assert_eq!(ReceiptCode::of(1042).to_string(), "RCPT001042");
        assert_eq!(ReceiptCode::of(1_000_000).to_string(), "RCPT01000000");
    }

    #[test]
    fn other_texts_are_no_receipt() {
        let check = |text: &str, expected: Option<i64>| {
            assert_eq!(ReceiptCode::read(text).map(ReceiptCode::receipt), expected, "{text}");
        };
        check(" rcpt001042\r", Some(1042));
        for text in ["", "1042", "RCPT", "RCPT-1042", "RCPT10x", "XRCPT001042", "2000000000015", "ÄÖÜß1"]
        {
            check(text, None);
        }
        check(&format!("RCPT{}", "9".repeat(19)), None);
    }
}
