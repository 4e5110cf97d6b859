//! Numbers of gift certificates: the check digit of ISO/IEC 7064, MOD 37,36, and what it finds.

use domain::certificate::{CertificateNumber, CertificateNumberError, RANDOM_BYTES, check_digit};
use proptest::prelude::*;

#[test]
fn check_digits() {
    let check = |text: &str, expected: char| {
        assert_eq!(check_digit(text.as_bytes()).map(char::from), Some(expected), "{text}");
    };
    // The Global Release Identifier's own example (IFPI, GRid Standard), as python-stdnum's doctest has it.
    check("A12425GABC1234002", 'M');
    // Calculated by python-stdnum 2.2, stdnum.iso7064.mod_37_36.
    check("83NPK5AK0D6FNRG4", '8');
    check("14CSMCB4DCP5GKH8", 'H');
    check("4HWM8J2Q3XCTB96T", 'B');
    check("E404SY9GDXNC4JCB", 'C');
    check("3F8QFQ1VH1HFZVWV", 'C');
    check("XZQYS5ZKVTRMV0WN", '0');
    check("JZM5YP9PCXPC2KMK", 'E');
    check("2ZCVYTGZTES2FSNK", '3');
    check("Z1VBMRQ6JBAC2CK1", '1');
    check("P0RHYADKAH4JCEHC", '2');
    assert_eq!(check_digit(b"83NP-K5AK"), None);
}

#[test]
fn numbers_are_read_as_people_type_them() {
    let check = |text: &str, expected: Result<&str, CertificateNumberError>| {
        let read = CertificateNumber::parse(text).map(|number| number.to_string());
        assert_eq!(read, expected.map(str::to_owned), "{text}");
    };
    let shown = Ok("83NP-K5AK-0D6F-NRG48");
    check("83NP-K5AK-0D6F-NRG48", shown);
    check(" 83npk5ak od6f nrg48 ", shown);
    check("Z1VB-MRQ6-JBAC-2CK11", Ok("Z1VB-MRQ6-JBAC-2CK11"));
    check("ZiVB-MRQ6-JBAC-2CKlI", Ok("Z1VB-MRQ6-JBAC-2CK11"));
    check("83NP-K5AK-0D6F-NRG4", Err(CertificateNumberError::Length));
    check("83NP-K5AK-0D6F-NRG488", Err(CertificateNumberError::Length));
    check("", Err(CertificateNumberError::Length));
    check("83NP-K5AK-0D6F-NRG49", Err(CertificateNumberError::CheckDigit));
    check("83NP-K5AK-0D6F-NRGU8", Err(CertificateNumberError::Character));
    check("83NP-K5AK-0D6F-NRG\u{e9}8", Err(CertificateNumberError::Character));
}

#[test]
fn a_number_is_not_in_logs() {
    let number = CertificateNumber::parse("83NP-K5AK-0D6F-NRG48").unwrap();
    assert_eq!(number.last_four(), "RG48");
    assert_eq!(format!("{number:?}"), "CertificateNumber(…RG48)");
}

proptest! {
    #[test]
    fn what_is_drawn_is_read_back_and_uses_every_bit(seed in any::<[u8; RANDOM_BYTES]>(), bit in 0..80_usize) {
        // The second draw is used where the first has a check digit that looks like another digit.
        let draw = |mut bytes: [u8; RANDOM_BYTES]| {
            CertificateNumber::draw(|| {
                let drawn = bytes;
                bytes[0] = bytes[0].wrapping_add(1);
                drawn
            })
        };
        let number = draw(seed);
        prop_assert_eq!(CertificateNumber::parse(&number.to_string()), Ok(number));
        prop_assert_eq!(CertificateNumber::try_from(String::from(number)), Ok(number));
        let mut other = seed;
        other[bit / 8] ^= 1 << (bit % 8);
        if bit >= 8 {
            prop_assert_ne!(draw(other), number);
        }
    }

    #[test]
    fn one_wrong_digit_is_found(seed in any::<[u8; RANDOM_BYTES]>(), at in 0..17_usize, to in 0..32_usize) {
        let mut random = seed;
        let number = CertificateNumber::draw(|| {
            random[9] = random[9].wrapping_add(1);
            random
        });
        let mut typed: Vec<char> = number.to_string().chars().filter(|c| *c != '-').collect();
        let wrong = "0123456789ABCDEFGHJKMNPQRSTVWXYZ".chars().nth(to).unwrap();
        prop_assume!(typed[at] != wrong);
        typed[at] = wrong;
        let typed: String = typed.into_iter().collect();
        prop_assert_eq!(CertificateNumber::parse(&typed), Err(CertificateNumberError::CheckDigit));
    }
}
