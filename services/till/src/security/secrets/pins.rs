//! Which PINs are accepted. A PIN works only on an enrolled device and after few wrong attempts no longer, so
//! all that matters is that it is not among the first few that anybody would try: repeats, sequences, patterns
//! on the keypad, years, birthdays. From memory of published counts of PINs that people choose, whose first
//! twenty all fall under these rules.

use super::WeakSecret;
use super::common::is_run;
use domain::people::Role;
use std::ops::RangeInclusive;

/// Digits of a PIN.
const DIGITS: RangeInclusive<usize> = 4..=12;
/// The fewest digits of an owner's PIN.
const OWNERS_DIGITS: usize = 6;
/// Years of birthdays and anniversaries.
const YEARS: RangeInclusive<u32> = 1900..=2099;

/// Patterns on a keypad that are not runs: columns, crosses, corners.
const KEYPAD: [&str; 22] = [
    "2580",
    "0852",
    "1470",
    "0741",
    "3690",
    "0963",
    "1379",
    "1397",
    "3179",
    "7139",
    "7913",
    "147258",
    "258369",
    "369258",
    "147258369",
    "159357",
    "159753",
    "357159",
    "753951",
    "951753",
    "456123",
    "789456",
];

/// Checks a PIN that a person of a role chooses.
pub(crate) fn check_pin(pin: &str, role: Role) -> Result<(), WeakSecret> {
    if !DIGITS.contains(&pin.len()) || !pin.bytes().all(|b| b.is_ascii_digit()) {
        return Err(if role == Role::Owner { WeakSecret::OwnersPin } else { WeakSecret::Pin });
    }
    if !is_long_enough(pin, role) {
        return Err(WeakSecret::OwnersPin);
    }
    if is_common(pin) { Err(WeakSecret::CommonPin) } else { Ok(()) }
}

/// Whether a PIN has the digits that the role requires: it may have been set under another role.
pub(crate) fn is_long_enough(pin: &str, role: Role) -> bool {
    role != Role::Owner || pin.len() >= OWNERS_DIGITS
}

fn is_common(pin: &str) -> bool {
    let back: String = pin.chars().rev().collect();
    is_run(pin)
        || pin == back
        || is_repeated(pin)
        || is_doubled_run(pin)
        || KEYPAD.contains(&pin)
        || KEYPAD.contains(&back.as_str())
        || is_date(pin)
}

/// A part repeated, such as 123123.
fn is_repeated(pin: &str) -> bool {
    (1..=pin.len() / 2)
        .any(|part| pin.len().is_multiple_of(part) && pin == pin[..part].repeat(pin.len() / part))
}

/// A run with each digit doubled, such as 112233.
fn is_doubled_run(pin: &str) -> bool {
    let bytes = pin.as_bytes();
    let is_doubled = bytes.len().is_multiple_of(2) && bytes.chunks(2).all(|pair| pair[0] == pair[1]);
    is_doubled && is_run(&pin.chars().step_by(2).collect::<String>())
}

/// A year, or a date in one of the orders in which people write one.
fn is_date(pin: &str) -> bool {
    let part = |from: usize, to: usize| pin[from..to].parse::<u32>().unwrap_or(0);
    let is_day = |month: u32, day: u32| (1..=12).contains(&month) && (1..=31).contains(&day);
    let is_either = |a: u32, b: u32| is_day(a, b) || is_day(b, a);
    let is_year = |year: u32| YEARS.contains(&year);
    match pin.len() {
        4 => is_year(part(0, 4)) || is_either(part(0, 2), part(2, 4)),
        6 => {
            is_either(part(0, 2), part(2, 4))
                || is_day(part(2, 4), part(4, 6))
                || (is_year(part(0, 4)) && is_day(part(4, 6), 1))
                || (is_year(part(2, 6)) && is_day(part(0, 2), 1))
        }
        8 => {
            (is_either(part(0, 2), part(2, 4)) && is_year(part(4, 8)))
                || (is_year(part(0, 4)) && is_either(part(4, 6), part(6, 8)))
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Six digits for owners is our own rule; NIST SP 800-63B revision 3, 5.1.1.2 requires six of secrets that a
    // verifier chooses.
    #[test]
    fn a_pin_is_of_digits_and_an_owners_of_six() {
        let check = |pin: &str, role: Role, expected: Result<(), WeakSecret>| {
            assert_eq!(check_pin(pin, role), expected, "{pin} {role}");
        };
        check("4071", Role::Counter, Ok(()));
        check("4071", Role::Maker, Ok(()));
        check("4071", Role::Owner, Err(WeakSecret::OwnersPin));
        check("40713", Role::Owner, Err(WeakSecret::OwnersPin));
        check("407138", Role::Owner, Ok(()));
        check("190573028146", Role::Owner, Ok(()));
        check("407", Role::Counter, Err(WeakSecret::Pin));
        check("1905730281461", Role::Counter, Err(WeakSecret::Pin));
        check("1905730281461", Role::Owner, Err(WeakSecret::OwnersPin));
        check("40 71", Role::Counter, Err(WeakSecret::Pin));
        check("٤٠٧١", Role::Counter, Err(WeakSecret::Pin));
        check("", Role::Counter, Err(WeakSecret::Pin));
    }

    #[test]
    fn what_is_guessed_first_is_refused_for_everybody() {
        let common = [
            // The twenty most common four-digit PINs, from memory of a published count.
            "1234", "1111", "0000", "1212", "7777", "1004", "2000", "4444", "2222", "6969", "9999", "3333",
            "5555", "6666", "1122", "1313", "8888", "4321", "2001", "1010", //
            "9876", "7890", "1987", "2026", "2412", "0229", "2580", "1221", //
            "123456", "654321", "111111", "000000", "123123", "666666", "121212", "112233", "789456",
            "159753", "131313", "123321", "159357", "147258", "696969", "241287", "122487", "871224",
            "198712", "121987", "12345678", "87654321", "24121987", "12241987", "19871224", "11223344",
            "12341234",
        ];
        for pin in common {
            assert!(is_common(pin), "{pin}");
        }
        for pin in ["4071", "8305", "4711", "407138", "905173", "837264", "40713862", "190573028146"] {
            assert!(!is_common(pin), "{pin}");
        }
    }

    /// Refusing too many would make the others easier to guess.
    #[test]
    fn most_pins_can_still_be_had() {
        let refused =
            |digits: usize, count: u32| (0..count).filter(|n| is_common(&format!("{n:0digits$}"))).count();
        let (four, six) = (refused(4, 10_000), refused(6, 1_000_000));
        assert!(four < 1_100 && six < 120_000, "{four} of 10,000 and {six} of 1,000,000");
    }
}
