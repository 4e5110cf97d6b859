//! Card numbers: the Luhn check of ISO/IEC 7812-1, and finding them in free text only.

use domain::card::{holds_card_number, passes_luhn};
use domain::codes::InStoreCode;
use domain::text::{self, TextError};

fn digits(text: &str) -> Vec<u8> {
    text.bytes().map(|b| b - b'0').collect()
}

#[test]
fn luhn_sums() {
    let check = |payload: &str, right: u8| {
        for digit in 0..10 {
            let mut full = digits(payload);
            full.push(digit);
            assert_eq!(passes_luhn(&full), digit == right, "{payload} {digit}");
        }
    };
    // python-stdnum, doctest of its luhn module.
    check("7894", 9);
    // The classic example, from memory.
    check("7992739871", 3);
    // Worked here; the long ones are made up and belong to no card.
    check("4992739871", 6);
    check("400000000000000", 2);
    check("500000000000000", 9);
    check("37000000000000", 2);
    check("400000000000", 6);
    check("600000000000000000", 4);
    check("123456781234567", 0);
    // With 09 and 90 swapped, both pass: the check's blind spot.
    for text in ["4090000000000003", "4900000000000003"] {
        assert!(passes_luhn(&digits(text)), "{text}");
    }
}

#[test]
fn cards_in_free_text_are_found() {
    // The rule is ours; all numbers are made up and worked here.
    let check = |text: &str, found: bool| {
        assert_eq!(holds_card_number(text), found, "{text:?}");
        assert_eq!(text::note(text) == Err(TextError::CardNumber), found, "{text:?} as a note");
    };
    for text in [
        "card 4000 0000 0000 0002",
        "4000-0000-0000-0002 exp 12/28",
        "4000 0000 0000 0002 12/28",
        "2 hats, 4000000000000002",
        "2 4000000000000002 999",
        "4000.0000.0000.0002",
        "4000\u{a0}0000\u{a0}0000\u{a0}0002",
        "4000\u{2011}0000\u{202f}0000 0002",
        "paid with 370000000000002.",
        "4000000000006",
        "6000000000000000004",
        "x4000000000000002y",
        "first 1234\nthen 5000 0000 0000 0009",
        "2221 0000 0000 0009",
        "36000000000008",
    ] {
        check(text, true);
    }
    for text in [
        "",
        "4000000000000003",
        "4000 0000 0000 0003",
        "+1 802 555 0100",
        "1234",
        "999",
        "40000000 0000/0002",
        "4000_0000_0000_0002",
        "40000000000000020000000000000000",
        "twelve skeins of 113 g each, 6.35 oz a hat",
        "\u{ff14}000000000000002",
        // They pass the check, but no card begins like that or is that long.
        "1234567812345670",
        "Scarf 2000000000107 for Ann",
        "2000000000206",
        "02000000000107",
        "parcel 006141410000000081",
        "9000 0000 0000 0000 01",
        "2721 0000 0000 0004",
        "4000000000000000000000000000000000000002",
    ] {
        check(text, false);
    }
}

/// Numbers that people write next to goods: one in ten of these used to be taken for a card.
#[test]
fn harmless_numbers_are_no_cards() {
    for number in 1..=2_000 {
        let code = InStoreCode::from_number(number).unwrap().as_str().to_owned();
        for text in [format!("Moor cowl {code}"), format!("2026-11-29 {number:05}"), format!("0{code}")] {
            assert!(!holds_card_number(&text), "{text}");
        }
    }
}

#[test]
fn a_long_text_is_looked_through_once() {
    // The work stays proportional to the text: with a million groups, comparing every pair of them
    // would never end. No run of 13 to 19 sevens passes.
    assert!((13..=19).all(|n| !passes_luhn(&vec![7; n])));
    for unit in [" ", "-", "7 ", "7"] {
        assert!(!holds_card_number(&unit.repeat(1_000_000)), "{unit:?}");
    }
}

#[test]
fn codes_are_never_looked_at() {
    // One in ten in-store codes passes the same check, so codes are not searched like free text;
    // counted here.
    let passing =
        (1..=20_000).filter(|n| passes_luhn(&digits(InStoreCode::from_number(*n).unwrap().as_str()))).count();
    assert!((1800..=2200).contains(&passing), "{passing} of 20000");
    for text in ["2000000000107", "2000000000206", "02000000000107", "006141410000000081"] {
        assert!(passes_luhn(&digits(text)), "{text}");
        assert!(domain::codes::Code::parse(text).is_ok(), "{text} is a code all the same");
        assert!(domain::order::OrderNumber::parse(text).is_ok(), "{text} is an order number all the same");
    }
}
