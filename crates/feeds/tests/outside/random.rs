//! Random bytes never cause a panic, and exports can be imported again.

use crate::listings::{Written, listed, sample};
use crate::{items_by, orders_by, own};
use domain::codes::Code;
use domain::money::{Currency, Money};
use domain::stock::Availability;
use feeds::{Feed, Format, Layout};
use proptest::prelude::*;

/// Bytes that reach deep into the readers, and others.
fn bytes() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        3 => prop::sample::select(vec![
            "orderNumber,orderDate,sku,orderQuantity,price\n", "name,quantity,quantity.unitCode\n", "1,2026-05-01,A,1,5\n",
            "1,2026-05-01,A,-1,5\n", "{\"orderNumber\":1,", "\"sku\":\"A\"}", "[", "]", "{", "}", "\"", ",", "\n", "\r\n", ";", "\t",
            "reject.reason", "\u{feff}", "Hat,1,ONZ\n", "\"@graph\":[", "null", "1e9", "\\u0000", "\\",
        ]).prop_map(|s| s.as_bytes().to_vec()),
        1 => prop::collection::vec(any::<u8>(), 0..12),
    ];
    prop::collection::vec(piece, 0..24).prop_map(|parts| parts.concat())
}

/// Names and texts as people type them, and as they should not.
fn text() -> impl Strategy<Value = String> {
    "[=+@'a-c\",;|é\\-]{1,2}[ -~é\n]{0,12}[a-z]"
}

proptest! {
    #[test]
    fn random_bytes_never_panic(bytes in bytes()) {
        for format in [Format::Csv, Format::Json, Format::JsonLines] {
            let read = orders_by(&Layout::built_in(Feed::Orders, format), &bytes, true);
            for reject in read.into_iter().flatten().filter_map(Result::err) {
                prop_assert!(!reject.to_string().is_empty());
            }
            let _ = items_by(&Layout::built_in(Feed::Items, format), &bytes);
            let _ = listed(&Layout::built_in(Feed::Listings, format), &bytes);
        }
        let _ = items_by(&own(Feed::Items), &[&b"name,description\n"[..], &bytes].concat());
        let _ = String::from_utf8(bytes).map(|text| Layout::parse(&text));
    }

    /// Export, then import: the same, whatever the texts contain.
    #[test]
    fn what_goes_out_comes_back(
        sku in "[=+@'A-Z-][A-Z0-9]{0,8}", name in text(), description in text(), color in text(),
        minor in 1_i64..10_000_000, revision in 0_i64..1_000_000,
    ) {
        let mut item = sample();
        item.sku = Code::parse(&sku).unwrap();
        (item.text.name, item.text.description, item.text.color) = (name, description, color);
        item.price = Money::from_minor(minor, Currency::USD).unwrap();
        item.availability = Availability::Reserved;
        item.revision = revision;
        for written in [Written::Csv, Written::Document, Written::Lines] {
            let (bytes, layout) = written.write(std::slice::from_ref(&item));
            let back = listed(&layout, &bytes).unwrap().remove(0).unwrap_or_else(|e| panic!("{e}")).value;
            prop_assert_eq!(&back.sku, &item.sku);
            prop_assert_eq!(&back.text, &item.text);
            prop_assert_eq!(back.price, Some(item.price));
            prop_assert_eq!(back.weight, item.weight);
            prop_assert_eq!(back.availability, Some("Reserved"));
            prop_assert_eq!(back.revision, Some(revision));
        }
    }
}
