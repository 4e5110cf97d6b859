//! GS1 check digits, the restricted ranges, and the shop's own numbers.

use domain::codes::{
    Code, CodeError, Gtin, InStoreCode, MAX_CODE_CHARS, MAX_IN_STORE_NUMBER, gs1_check_digit,
};

fn key(text: &str) -> String {
    Code::parse(text).unwrap().key()
}

#[test]
fn check_digits() {
    let check = |body: &str, digit: u8, full: &str| {
        assert_eq!(gs1_check_digit(body), Some(digit), "{body}");
        assert_eq!(format!("{body}{digit}"), full);
    };
    // gs1.org, “How to calculate a check digit manually”, worked example.
    check("629104150021", 3, "6291041500213");
    // gs1.se, worked example.
    check("730001100001", 7, "7300011000017");
    // GS1 UK's example number; the digit worked here.
    check("501234567890", 0, "5012345678900");
    // github.com/gs1/gs1-syntax-dictionary, tests of lint_csum: GTIN-8, -12, -13, -14, SSCC.
    check("0234567", 3, "02345673");
    check("41600033610", 8, "416000336108");
    check("123456789012", 8, "1234567890128");
    check("1234567890123", 1, "12345678901231");
    check("12345678901234567", 5, "123456789012345675");
    // github.com/gs1/gs1-syntax-engine, tests, and its Digital Link examples.
    check("211234567890", 0, "2112345678900");
    check("952012345678", 8, "9520123456788");
    check("95201234567891234", 5, "952012345678912345");
    // python-stdnum, doctests of its ean module.
    check("7351353", 7, "73513537");
    check("9841234567890", 8, "98412345678908");
    check("978047111709", 4, "9780471117094");
    // Worked here.
    check("200000000001", 5, "2000000000015");
    check("040000000001", 5, "0400000000015");
    check("02000000001", 5, "020000000015");
    check("2000000", 4, "20000004");
    for not_digits in ["", " ", "62910 4150021", "62910415002a", "-1", "\u{ff16}29104150021"] {
        assert_eq!(gs1_check_digit(not_digits), None, "{not_digits:?}");
    }
}

#[test]
fn wrong_check_digits_fail() {
    // github.com/gs1/gs1-syntax-dictionary, tests of lint_csum.
    let check = |text: &str, expected: u8| {
        let slip = CodeError::WrongCheckDigit { text: text.to_owned(), expected };
        assert_eq!(Gtin::parse(text), Err(slip.clone()), "{text}");
        assert_eq!(Code::parse(text).unwrap().check_digit_slip(), Err(slip), "{text}");
        assert_eq!(key(text), text, "a slip is no other item's code");
    };
    check("02345674", 3);
    check("12345673", 0);
    check("416000336109", 8);
    check("1234567890129", 8);
    check("12345678901232", 1);
    // An SSCC is not one of our codes, but its digit is wrong too.
    assert_eq!(gs1_check_digit("12345678901234567"), Some(5), "so 123456789012345670 fails");
}

#[test]
fn what_is_no_gtin_fails() {
    let check = |text: &str, expected: &str| {
        let refused = Gtin::parse(text).unwrap_err().to_string();
        assert!(refused.contains(expected), "{text:?}: {refused}");
    };
    // Too short, and with a space: github.com/gs1/gs1-syntax-dictionary, tests of lint_csum.
    check("", "has 8, 12, 13 or 14 digits");
    check("62910 41500213", "has 8, 12, 13 or 14 digits");
    // Worked here.
    check("62910415002", "has 8, 12, 13 or 14 digits");
    check("006291041500213", "has 8, 12, 13 or 14 digits");
    check("+6291041500213", "has 8, 12, 13 or 14 digits");
    check("-629104150021", "has 8, 12, 13 or 14 digits");
    check("629104150021X", "has 8, 12, 13 or 14 digits");
    check("\u{ff16}\u{ff12}\u{ff19}\u{ff11}\u{ff10}\u{ff14}\u{ff11}\u{ff15}", "has 8, 12, 13 or 14 digits");
    check("0000000000000", "zeros alone");
    check("00000000", "zeros alone");
    assert_eq!(Gtin::parse(" 6291041500213 ").unwrap().as_str(), "6291041500213", "space around is trimmed");
}

#[test]
fn numbers_for_use_within_one_shop_are_no_gtin() {
    // GS1 prefixes 02, 04 and 2 (restricted circulation): PostgreSQL's contrib/isn prefix table.
    // GTIN-8 that begin with 0 or 2: from memory.
    for text in [
        "2000000000015",
        "2112345678900",
        "0400000000015",
        "0200000000011",
        "02000000000107",
        "2999999999991",
        "20000004",
        "02345673",
        "200000000004",
        "400000000008",
    ] {
        assert!(
            matches!(Gtin::parse(text), Err(CodeError::Restricted { .. })),
            "{text}: {:?}",
            Gtin::parse(text)
        );
    }
    // A GTIN-12 that begins with 4 is for in-store use; a GTIN-13 that begins with 4 is not.
    assert!(matches!(Gtin::parse("416000336108"), Err(CodeError::Restricted { .. })));
    for text in ["4016000000007", "6291041500213", "7300011000017", "73513537", "9780471117094"] {
        assert!(Gtin::parse(text).is_ok(), "{text}: {:?}", Gtin::parse(text));
    }
}

#[test]
fn leading_zeros_are_one_item() {
    // schema.org, gtin13: a 12-digit code gets a zero in front.
    let check = |same: &[&str], gtin13: &str| {
        for text in same {
            assert_eq!(key(text), key(same[0]), "{text}");
            assert_eq!(Gtin::parse(text).unwrap().gtin13().as_deref(), Some(gtin13), "{text}");
        }
    };
    check(&["036000241457", "0036000241457", "00036000241457"], "0036000241457");
    check(&["6291041500213", "06291041500213"], "6291041500213");
    check(&["73513537", "0000073513537", "00000073513537"], "0000073513537");
    // A case of several has no 13-digit form.
    assert_eq!(Gtin::parse("98412345678908").unwrap().gtin13(), None);
    // A SKU is taken literally: its zeros and its case matter.
    for (one, other) in [("0042", "42"), ("hat-7", "HAT-7"), ("036000241458", "0036000241458")] {
        assert_ne!(key(one), key(other));
    }
    assert_eq!(key("  hat-7\t"), "hat-7");
}

#[test]
fn the_check_digit_finds_each_wrong_digit_and_not_each_swap() {
    for code in ["2000000000015", "6291041500213", "020000000015", "20000004"] {
        for place in 0..code.len() {
            for digit in '0'..='9' {
                let mut wrong: Vec<char> = code.chars().collect();
                wrong[place] = digit;
                let wrong: String = wrong.into_iter().collect();
                let slip = Code::parse(&wrong).unwrap().check_digit_slip();
                assert_eq!(slip.is_ok(), wrong == code, "{wrong}");
            }
        }
    }
    // Adjacent digits that differ by 5 can be swapped without notice; worked here.
    for code in ["6291041500213", "6291041050213", "4016000000007", "4061000000007"] {
        assert_eq!(Code::parse(code).unwrap().check_digit_slip(), Ok(()), "{code}");
    }
}

#[test]
fn the_shops_own_numbers() {
    // Worked here; 2000000000107 and 2000000000206 also pass the check of a card's number.
    let check = |number: i64, expected: &str| {
        let code = InStoreCode::from_number(number).unwrap();
        assert_eq!(code.as_str(), expected);
        assert_eq!(code.code().check_digit_slip(), Ok(()));
        assert!(matches!(Gtin::parse(expected), Err(CodeError::Restricted { .. })), "{expected}");
    };
    check(1, "2000000000015");
    check(10, "2000000000107");
    check(20, "2000000000206");
    check(MAX_IN_STORE_NUMBER, "2999999999991");
    for beyond in [0, -1, MAX_IN_STORE_NUMBER + 1, i64::MIN, i64::MAX] {
        assert_eq!(InStoreCode::from_number(beyond), Err(CodeError::UsedUp), "{beyond}");
    }
}

#[test]
fn a_code_is_printable_and_bounded() {
    let longest = "x".repeat(MAX_CODE_CHARS);
    let check = |text: &str, expected: Result<&str, CodeError>| {
        assert_eq!(Code::parse(text).as_ref().map(Code::as_str), expected.as_ref().copied(), "{text:?}");
    };
    check("grey \u{e9}cru 7", Ok("grey \u{e9}cru 7"));
    check(&longest, Ok(&longest));
    check(&format!("{longest}x"), Err(CodeError::TooLong));
    check("", Err(CodeError::Empty));
    check(" \t ", Err(CodeError::Empty));
    check("hat\u{0}7", Err(CodeError::NotPrintable));
    check("hat\n7", Err(CodeError::NotPrintable));
}
