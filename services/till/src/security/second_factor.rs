//! Codes of a second factor (RFC 6238), recovery codes, and the QR code that a phone scans.

use domain::day::Moment;
use qrcode::{Color, EcLevel, QrCode};
use std::fmt::Write;
use totp_rs::{Algorithm, Builder, Secret, Totp};

/// Bytes of a key: RFC 4226, 4 recommends 160 bits.
const KEY_BYTES: usize = 20;
/// Digits of a code and seconds of its validity, as all apps support them (RFC 6238, 5.2).
const DIGITS: u8 = 6;
const STEP_SECONDS: u64 = 30;
/// How many steps before and after the present one are accepted: none, so that a code is valid for at most 30 s
/// (OWASP ASVS 5.0.0, 6.5.5). Whoever types too slowly enters the next one.
const SKEW: u16 = 0;
/// How many recovery codes a person has at once.
pub(crate) const RECOVERY_CODES: usize = 10;
/// Characters of a recovery code: each is one of 32, so they make 120 bits. From 112 bits on a plain hash is
/// enough to store one (OWASP ASVS 5.0.0, 6.5.2).
const RECOVERY_SIGNS: usize = 24;
/// Characters between two hyphens.
const GROUP: usize = 4;
/// The base32 alphabet (RFC 4648, 6): no 0 or 1, which look like letters.
const SIGNS: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
/// The white border of a QR code (ISO/IEC 18004: four modules).
const QUIET: usize = 4;

/// A new key, in base32.
pub(crate) fn new_key() -> String {
    let mut bytes = [0; KEY_BYTES];
    crate::security::random::fill(&mut bytes);
    Secret::from(bytes).to_base32()
}

fn totp(key: &str, algorithm: Algorithm, digits: u8) -> Option<Totp> {
    let secret = Secret::try_from_base32(key).ok()?;
    let builder = Builder::new().with_algorithm(algorithm).with_digits(digits).with_skew(SKEW);
    builder.with_step_duration(STEP_SECONDS).with_secret(secret).build().ok()
}

/// The time step whose code it is, if it is the present one's; spaces, which apps show, are ignored.
pub(crate) fn step_of(key: &str, code: &str, now: Moment) -> Option<i64> {
    let digits: String = code.chars().filter(|c| !c.is_whitespace()).collect();
    let seconds = u64::try_from(now.millis().div_euclid(1000)).ok()?;
    let step = totp(key, Algorithm::SHA1, DIGITS)?.check(&digits, seconds)?;
    i64::try_from(step).ok()
}

/// The code at a moment, for tests.
#[cfg(test)]
pub(crate) fn code_at(key: &str, now: Moment) -> String {
    let seconds = u64::try_from(now.millis() / 1000).expect("after 1970");
    totp(key, Algorithm::SHA1, DIGITS).expect("a key").generate(seconds).to_string()
}

/// The URI that an app reads: the key, the person and the shop.
pub(crate) fn address(key: &str, shop: &str, who: &str) -> String {
    // A space as %20: apps show a plus sign as it is.
    let plain = |text: &str| {
        let text = text.replace(':', " ");
        form_urlencoded::byte_serialize(text.as_bytes()).collect::<String>().replace('+', "%20")
    };
    let (shop, who) = (plain(shop), plain(who));
    format!(
        "otpauth://totp/{shop}:{who}?secret={key}&issuer={shop}&algorithm=SHA1&digits={DIGITS}&period={STEP_SECONDS}"
    )
}

/// A picture as an SVG path of unit squares.
pub(crate) struct Picture {
    /// Its width and height in modules, with the border.
    pub(crate) size: usize,
    pub(crate) path: String,
}

/// The text as a QR code; none if it is too long for one.
pub(crate) fn picture(text: &str) -> Option<Picture> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).ok()?;
    let width = code.width();
    let mut path = String::new();
    for (at, color) in code.to_colors().into_iter().enumerate() {
        if color == Color::Dark {
            // Writing to a String cannot fail.
            let _ = write!(path, "M{} {}h1v1h-1z", at % width + QUIET, at / width + QUIET);
        }
    }
    Some(Picture { size: width + 2 * QUIET, path })
}

/// New recovery codes, as they are shown to people.
pub(crate) fn new_recovery_codes() -> Vec<String> {
    (0..RECOVERY_CODES).map(|_| new_recovery_code()).collect()
}

fn new_recovery_code() -> String {
    let mut bytes = [0; RECOVERY_SIGNS];
    crate::security::random::fill(&mut bytes);
    // 256 is eight times 32: each character is equally likely.
    let signs: Vec<char> = bytes.iter().map(|b| char::from(SIGNS[usize::from(b % 32)])).collect();
    signs.chunks(GROUP).map(|group| group.iter().collect::<String>()).collect::<Vec<_>>().join("-")
}

/// A recovery code in the form in which it is hashed, however it was typed; none if it cannot be one.
pub(crate) fn recovery_code(typed: &str) -> Option<String> {
    let signs: String =
        typed.chars().filter(|c| !c.is_whitespace() && *c != '-').map(|c| c.to_ascii_uppercase()).collect();
    let is_one = signs.len() == RECOVERY_SIGNS && signs.bytes().all(|b| SIGNS.contains(&b));
    is_one.then_some(signs)
}

/// A key in groups of characters, for typing.
pub(crate) fn grouped(key: &str) -> String {
    let signs: Vec<char> = key.chars().collect();
    signs.chunks(GROUP).map(|group| group.iter().collect::<String>()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    // RFC 6238, appendix B (with errata 2866: each algorithm's key is as long as its hash).
    #[test]
    fn codes_are_those_of_rfc_6238() {
        let keys = [
            (Algorithm::SHA1, "12345678901234567890"),
            (Algorithm::SHA256, "12345678901234567890123456789012"),
            (Algorithm::SHA512, "1234567890123456789012345678901234567890123456789012345678901234"),
        ];
        let check = |seconds: u64, expected: [&str; 3]| {
            for ((algorithm, key), expected) in keys.into_iter().zip(expected) {
                let key = Secret::from(key.as_bytes()).to_base32();
                let totp = totp(&key, algorithm, 8).expect("a key");
                assert_eq!(totp.generate(seconds).to_string(), expected, "{algorithm} at {seconds}");
            }
        };
        check(59, ["94287082", "46119246", "90693936"]);
        check(1_111_111_109, ["07081804", "68084774", "25091201"]);
        check(1_111_111_111, ["14050471", "67062674", "99943326"]);
        check(1_234_567_890, ["89005924", "91819424", "93441116"]);
        check(2_000_000_000, ["69279037", "90698825", "38618901"]);
        check(20_000_000_000, ["65353130", "77737706", "47863826"]);
    }

    // The last six digits of RFC 6238's own; OWASP ASVS 5.0.0, 6.5.5: a code is valid for at most 30 s.
    #[test]
    fn a_code_holds_for_its_own_thirty_seconds() {
        let key = Secret::from("12345678901234567890".as_bytes()).to_base32();
        let check = |code: &str, seconds: i64, expected: Option<i64>| {
            let found = step_of(&key, code, Moment::from_millis(seconds * 1000));
            assert_eq!(found, expected, "{code} at {seconds}");
        };
        check("287082", 29, None);
        check("287082", 30, Some(1));
        check("287082", 59, Some(1));
        check("287082", 60, None);
        check(" 287 082 ", 59, Some(1));
        check("050471", 1_111_111_111, Some(37_037_037));
        check("050471", 1_111_111_109, None);
        check("081804", 1_111_111_109, Some(37_037_036));
        for wrong in ["", "287083", "28708", "0287082", "94287082", "２８７０８２", "-87082", "2870 8"]
        {
            check(wrong, 59, None);
        }
        assert_eq!(step_of("not a key!", "287082", Moment::from_millis(59_000)), None);
    }

    #[test]
    fn a_key_is_long_new_and_read_back() {
        let keys: HashSet<String> = (0..1000).map(|_| new_key()).collect();
        assert_eq!(keys.len(), 1000);
        for key in keys {
            assert_eq!(
                (key.len(), Secret::try_from_base32(&key).expect("base32").as_bytes().len()),
                (32, 20)
            );
        }
        assert_eq!(grouped("ABCDEFGHIJ"), "ABCD EFGH IJ");
    }

    // The Key URI format of authenticator apps has no standard; this is how they document it.
    #[test]
    fn the_address_names_shop_and_person() {
        let expected = "otpauth://totp/Fold%20End%20%26%20Co:Ad%C3%A9%20%20Fell?secret=ABCD&\
            issuer=Fold%20End%20%26%20Co&algorithm=SHA1&digits=6&period=30";
        assert_eq!(address("ABCD", "Fold End & Co", "Adé: Fell"), expected);
        assert!(picture(&address(&new_key(), &"long name ".repeat(20), &"ö".repeat(200))).is_some());
    }

    // ISO/IEC 18004: 17 + 4 × version modules, and the three finder patterns.
    #[test]
    fn the_picture_is_a_qr_code_with_white_around() {
        let picture = picture("otpauth://totp/x?secret=ABCD").expect("a picture");
        assert_eq!((picture.size - 2 * QUIET - 17) % 4, 0);
        let last = picture.size - QUIET - 7;
        for (x, y) in [(4, 4), (last, 4), (4, last)] {
            assert!(picture.path.contains(&format!("M{x} {y}h1v1h-1z")), "{x} {y}");
        }
        assert!(!picture.path.contains("M3 ") && !picture.path.contains(" 3h"), "nothing in the white");
    }

    // OWASP ASVS 5.0.0, 6.5.2 and 11.5.1.
    #[test]
    fn recovery_codes_are_long_and_found_however_they_are_typed() {
        let codes: HashSet<String> = (0..100).flat_map(|_| new_recovery_codes()).collect();
        assert_eq!(codes.len(), 100 * RECOVERY_CODES);
        for code in &codes {
            let plain = recovery_code(code).expect("a code");
            assert_eq!((code.len(), plain.len()), (29, 24), "{code}");
            assert_eq!(recovery_code(&format!(" {} ", code.to_lowercase().replace('-', " "))), Some(plain));
        }
        for wrong in ["", "123456", "ABCD-EFGH", &"A".repeat(25), &"1".repeat(24)] {
            assert_eq!(recovery_code(wrong), None, "{wrong}");
        }
    }
}
