//! Text that people type, and values that were stored and are read back.

use crate::{cents, usd};
use domain::basket::{CashRounding, Tie};
use domain::codes::{Code, Gtin, InStoreCode};
use domain::money::Money;
use domain::order::OrderNumber;
use domain::pricing::WeightRate;
use domain::quantity::Quantity;
use domain::text::{MAX_NAME_CHARS, MAX_NOTE_CHARS, TextError, fold, name, note, short};
use domain::weight::Weight;
use serde::de::value::{Error as NotRead, MapDeserializer, StrDeserializer};
use serde::de::{DeserializeOwned, IntoDeserializer};

#[test]
fn names_and_notes_are_bounded_and_printable() {
    let check = |found: Result<String, TextError>, expected: Result<&str, TextError>| {
        assert_eq!(found.as_deref().map_err(Clone::clone), expected);
    };
    let (longest, longest_note) = ("n".repeat(MAX_NAME_CHARS), "n".repeat(MAX_NOTE_CHARS));
    check(name("  Ridge beanie "), Ok("Ridge beanie"));
    check(name(&longest), Ok(&longest));
    check(name(&format!("{longest}n")), Err(TextError::TooLong { limit: MAX_NAME_CHARS }));
    check(name(" "), Err(TextError::Empty));
    check(name("moor\ncowl"), Err(TextError::NotPrintable { code: 10 }));
    check(name("4000 0000 0000 0002"), Err(TextError::CardNumber));
    check(short(""), Ok(""));
    check(short("a\u{0}"), Err(TextError::NotPrintable { code: 0 }));
    check(note("two\nlines,\ta tab\r\n"), Ok("two\nlines,\ta tab\n"));
    check(note(&longest_note), Ok(&longest_note));
    check(note(&format!("{longest_note}n")), Err(TextError::TooLong { limit: MAX_NOTE_CHARS }));
    check(note("a\u{0}b"), Err(TextError::NotPrintable { code: 0 }));
    check(note("a\u{7f}b"), Err(TextError::NotPrintable { code: 127 }));
    check(note("a\u{85}b"), Err(TextError::NotPrintable { code: 133 }));
}

#[test]
fn folding() {
    // Unicode Standard Annex 15, compatibility decomposition; the pairs worked here.
    let check = |text: &str, expected: &str| assert_eq!(fold(text), expected, "{text:?}");
    check("Ridge Beanie", "ridge beanie");
    check("\u{c9}cru", "ecru");
    check("E\u{301}cru", "ecru");
    check("\u{ff37}\u{ff4f}\u{ff4f}\u{ff4c}", "wool");
    check("\u{fb01}bre", "fibre");
    check("M\u{fc}tze", "mutze");
    check("\u{130}stanbul", "istanbul");
    check("2\u{bd} oz", "21\u{2044}2 oz");
    check("", "");
    check("\u{301}", "");
}

#[test]
fn folding_twice_is_folding_once() {
    for c in '\u{0}'..=char::MAX {
        let once = fold(c.encode_utf8(&mut [0; 4]));
        assert_eq!(fold(&once), once, "U+{:04X}", u32::from(c));
    }
}

/// A value in a stored record: a number or text.
#[derive(Clone, Copy)]
enum Written<'a> {
    Number(i64),
    Text(&'a str),
}

impl<'de> IntoDeserializer<'de, NotRead> for Written<'de> {
    type Deserializer = Self;
    fn into_deserializer(self) -> Self {
        self
    }
}

impl<'de> serde::Deserializer<'de> for Written<'de> {
    type Error = NotRead;
    fn deserialize_any<V: serde::de::Visitor<'de>>(self, visitor: V) -> Result<V::Value, NotRead> {
        match self {
            Written::Number(number) => visitor.visit_i64(number),
            Written::Text(text) => visitor.visit_borrowed_str(text),
        }
    }
    fn deserialize_enum<V: serde::de::Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, NotRead> {
        match self {
            Written::Text(text) => StrDeserializer::new(text).deserialize_enum(name, variants, visitor),
            Written::Number(_) => Err(serde::de::Error::custom("a number is no name")),
        }
    }
    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf option
        unit unit_struct newtype_struct seq tuple tuple_struct map struct identifier ignored_any
    }
}

fn read<T: DeserializeOwned>(record: &[(&str, Written<'_>)]) -> Result<T, String> {
    T::deserialize(MapDeserializer::new(record.iter().copied())).map_err(|e: NotRead| e.to_string())
}

fn read_text<T: DeserializeOwned>(text: &str) -> Result<T, String> {
    T::deserialize(StrDeserializer::new(text)).map_err(|e: NotRead| e.to_string())
}

#[test]
fn what_was_written_down_is_checked_when_it_is_read() {
    use Written::{Number, Text};
    let dollars = |minor| read::<Money>(&[("minor", Number(minor)), ("currency", Text("USD"))]);
    assert_eq!(dollars(4763), Ok(usd("47.63")));
    assert_eq!(dollars(-1), Ok(cents(-1)));
    assert!(dollars(i64::MAX).unwrap_err().contains("larger than a shop can book"));

    let weight = |value| read::<Weight>(&[("value", Text(value)), ("unit", Text("ONZ"))]);
    assert_eq!(weight("6.35").map(|w| w.to_string()), Ok("6.35 oz".to_owned()));
    assert!(weight("0").unwrap_err().contains("more than 0"));

    let rate = |per| read::<WeightRate>(&[("per", Text(per)), ("unit", Text("LBR"))]);
    assert!(rate("32").is_ok());
    assert!(rate("-32").unwrap_err().contains("more than 0"));

    let stock_units =
        |stock_units| read::<Quantity>(&[("stock_units", Number(stock_units)), ("measure", Text("Units"))]);
    assert_eq!(stock_units(-3).map(Quantity::stock_units), Ok(-3));
    assert!(stock_units(i64::MIN).unwrap_err().contains("larger than a shop can hold"));

    let coin = |step| read::<CashRounding>(&[("step_minor", Number(step)), ("tie", Text("up"))]);
    assert_eq!(coin(5), Ok(CashRounding::to_step(5, Tie::Up).unwrap()));
    assert!(coin(0).unwrap_err().contains("smallest coin"));
}

#[test]
fn codes_are_checked_when_they_are_read() {
    assert!(read_text::<Code>("hat-7").is_ok());
    assert!(read_text::<Code>("").is_err());
    assert!(read_text::<Gtin>("6291041500213").is_ok());
    assert!(read_text::<Gtin>("6291041500214").is_err());
    assert!(read_text::<OrderNumber>("640").is_ok());
    assert!(read_text::<OrderNumber>("\u{0}").is_err());
    for (text, fits) in [
        ("2000000000015", true),
        ("2000000000016", false),
        ("2000000000008", false),
        ("6291041500213", false),
        ("20000000000150", false),
        ("2", false),
        ("", false),
        ("2\u{e9}000000000", false),
    ] {
        assert_eq!(read_text::<InStoreCode>(text).is_ok(), fits, "{text}");
    }
}
