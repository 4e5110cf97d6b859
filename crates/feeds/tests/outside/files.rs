//! Byte order marks, encodings, delimiters, line ends.

use crate::{items_by, own};
use feeds::{Feed, FeedError};

fn names(bytes: &[u8]) -> Vec<String> {
    let read = items_by(&own(Feed::Items), bytes).unwrap_or_else(|e| panic!("{e}"));
    read.into_iter()
        .map(|r| {
            r.map_or_else(|e| e.to_string(), |p| format!("{}/{}", p.value.text.name, p.value.text.color))
        })
        .collect()
}

#[test]
fn finds_out_how_a_file_is_written() {
    let check = |bytes: &[u8], expected: &[&str]| assert_eq!(names(bytes), expected, "{bytes:?}");
    let two = &["Cowl/Grün", "Hat/grey"][..];
    for bytes in [
        "name,color\nCowl,Grün\nHat,grey\n".as_bytes(),
        "\u{feff}name,color\r\nCowl,Grün\r\nHat,grey".as_bytes(),
        "name;color\rCowl;Grün\rHat;grey\r".as_bytes(),
        "name\tcolor\nCowl\tGrün\nHat\tgrey\n".as_bytes(),
        "\u{feff}\"name\";\"color\"\nCowl;\"Grün\"\n\nHat;grey\n".as_bytes(),
        // Windows-1252: ü is the byte FC (Unicode's mapping table CP1252.TXT).
        b"name,color\nCowl,Gr\xfcn\nHat,grey\n",
    ] {
        check(bytes, two);
    }
    // 80 is the euro sign and 92 the right single quotation mark in Windows-1252.
    check(b"name,color\nWeaver\x92s \x80,x\n", &["Weaver\u{2019}s €/x"]);
    // A comma inside quotes does not count for the delimiter.
    check(b"\"name\";color\n\"a,b,c\";d\n", &["a,b,c/d"]);
}

#[test]
fn one_damaged_character_does_not_change_the_encoding() {
    let read = names(b"name,color\nCowl,Gr\xc3\xbcn\nCap,Gr\xc3\nHat,Gr\xc3\xbcn\n");
    assert_eq!(read[0], "Cowl/Grün");
    assert!(read[1].starts_with("line 3, color: the row contains bytes that are not UTF-8"), "{}", read[1]);
    assert_eq!(read[2], "Hat/Grün");
}

#[test]
fn the_encoding_is_found_behind_the_first_bytes_too() {
    let mut bytes = b"name,color\n".to_vec();
    bytes.extend_from_slice("Hat,grey\n".repeat(20_000).as_bytes());
    bytes.extend_from_slice(b"Cowl,Gr\xfcn\n");
    assert_eq!(names(&bytes).last().map(String::as_str), Some("Cowl/Grün"));
}

#[test]
fn refuses_whole_files_in_words() {
    let check = |bytes: &[u8], expected: &str| {
        let error = items_by(&own(Feed::Items), bytes).expect_err("a refusal");
        assert!(error.to_string().contains(expected), "{error}");
    };
    check(b"\xff\xfen\0a\0m\0e\0", "UTF-16");
    check(b"\xfe\xff\0n\0a\0m\0e", "UTF-16");
    check(b"n\0a\0m\0e\0\n", "NUL");
    check(b"", "empty");
    check(
        b"name,\"colour\n",
        "line 1 should name the columns, but a quotation mark is opened here and never closed",
    );
    check(
        b"name,Colour,Wash\n",
        "columns that items do not have: \u{201c}Colour\u{201d}, \u{201c}Wash\u{201d}",
    );
    check(b"name,\nx,\n", "one without a heading");
    check(b"name,name\n", "\u{201c}name\u{201d} twice");
    check(b"sku\nA\n", "no column \u{201c}name\u{201d}");
    let other = items_by(&own(Feed::Orders), b"name\n").expect_err("a refusal");
    assert!(matches!(other, FeedError::OtherFeed { .. }));
}
