//! Layouts: what they can express, and how faulty ones are refused.

use crate::{layout, orders_by, told};
use domain::order::LinePrice;
use feeds::Layout;

/// The example of a layout, with the two fields that it leaves out.
const EXAMPLE: &str = r#"
feed = "orders"
format = "csv"
ignore = ["Gift wrap"]
header = true
channel = "online"
[field.orderNumber]
from = "Order ref"
[field.orderDate]
from = "Placed"
date = "%d/%m/%Y %H:%M"
zone = "Europe/London"
[field.price]
from = "Line total"
per = "line"
decimal = ","
[field.orderQuantity]
value = "1"
[field.sku]
from = "Code"
"#;

#[test]
fn the_example_reads() {
    let file = "Order ref;Placed;Line total;Code;Gift wrap\nA1;17/05/2026 14:05;12,50;X-1;yes\n";
    let read = orders_by(&layout(EXAMPLE), file.as_bytes(), false).unwrap();
    let order = &read[0].as_ref().unwrap().value;
    // British summer time is an hour ahead of UTC.
    assert_eq!(order.ordered.to_string(), "2026-05-17T13:05:00Z");
    assert!(matches!(order.lines[0].price, LinePrice::Line(money) if money.minor() == 1250));
    assert_eq!(order.channel.as_str(), "online");
}

/// The clock changes of Europe/London in 2026: forward on 29 March at 01:00 UTC, back on 25 October
/// at 01:00 UTC (IANA time zone database).
#[test]
fn times_around_clock_changes() {
    let check = |placed: &str, expected: &str| {
        let file = format!("Order ref,Placed,Line total,Code\nA1,{placed},\"1,00\",X\n");
        let read = orders_by(&layout(EXAMPLE), file.as_bytes(), false).unwrap();
        let got = match &read[0] {
            Ok(parsed) => parsed.value.ordered.to_string(),
            Err(reject) => reject.to_string(),
        };
        assert!(got.contains(expected), "{placed}: {got}");
    };
    check("29/03/2026 01:30", "the clocks went forward over it");
    check("29/03/2026 00:59", "2026-03-29T00:59:00Z");
    check("29/03/2026 02:00", "2026-03-29T01:00:00Z");
    check("25/10/2026 01:30", "2026-10-25T00:30:00Z");
    check("31/02/2026 10:00", "orderDate (“Placed”) = “31/02/2026 10:00”");
    check("2026-05-17", "not a date as the layout's date");
}

#[test]
fn dates_by_pattern() {
    let check = |keys: &str, placed: &str, expected: &str| {
        let own = layout(&format!(
            "feed = \"orders\"\n[field.orderNumber]\n[field.orderDate]\n{keys}\n[field.sku]\n[field.orderQuantity]\n[field.price]"
        ));
        let file = format!("orderNumber,orderDate,sku,orderQuantity,price\n1,{placed},A,1,5\n");
        let read = orders_by(&own, file.as_bytes(), false).unwrap();
        let got = match &read[0] {
            Ok(parsed) => parsed.value.ordered.to_string(),
            Err(reject) => reject.to_string(),
        };
        assert!(got.contains(expected), "{keys} {placed}: {got}");
    };
    check("", "2026-05-17T14:05:00-04:00", "2026-05-17T18:05:00Z");
    check("", "2026-05-17", "2026-05-17T12:00:00Z");
    check("zone = \"America/New_York\"", "2026-05-17", "2026-05-17T16:00:00Z");
    check("date = \"%Y%m%d\"", "19970101", "1997-01-01T12:00:00Z");
    check("date = \"%m/%d/%y\"", "5/7/26", "2026-05-07T12:00:00Z");
    check("date = \"%d %b %Y %I:%M %p\"", "17 May 2026 02:05 PM", "2026-05-17T14:05:00Z");
    check("date = \"%Y-%m-%d %H:%M:%S %z\"", "2026-05-17 14:05:00 +0200", "2026-05-17T12:05:00Z");
    check("date = \"%s\"", "1760377242", "2025-10-13T17:40:42Z");
    check("date = \"%Y-%m-%d\"", "2026-02-30", "not a date");
    check("date = \"%Y-%m-%d\"", "2026-02-03 10:00", "not a date");
}

#[test]
fn a_wrong_layout_names_the_key() {
    let check = |toml: &str, expected: &str| {
        let error = Layout::parse(toml).expect_err(toml);
        assert!(error.to_string().contains(expected), "{toml}: {error}");
    };
    let items = |rest: &str| format!("feed = \"items\"\n{rest}\n[field.name]\n");
    for (toml, expected) in [
        ("feed = ".to_owned(), "cannot be read"),
        (String::new(), "feed"),
        ("feed = \"goods\"".to_owned(), "feed = \"goods\" is not known"),
        (items("colour = 1"), "colour"),
        (items("format = \"xml\""), "use csv, json or jsonl"),
        (items("delimiter = \"a\""), "comma, semicolon, tab or spaces"),
        (items("encoding = \"utf-16\""), "utf-8 or windows-1252"),
        (items("ignore = \"all\""), "ignore"),
        (items("ignore = 3"), "ignore"),
        (items("each = \"/x\""), "each is only for format = \"json\""),
        (items("lines = \"/x\""), "lines is only for orders"),
        (items("channel = \"online\""), "channel is only for orders"),
        (items("format = \"json\"\ndelimiter = \",\""), "delimiter is only for"),
        (items("format = \"json\"\neach = \"x\""), "a JSON Pointer"),
        ("feed = \"items\"\n[field.sku]".to_owned(), "no [field.name]"),
        ("feed = \"items\"\n[field.colour]".to_owned(), "[field.colour] is not a field of items"),
        ("feed = \"items\"\n[field.name]\nform = \"x\"".to_owned(), "form"),
        ("feed = \"items\"\n[field.name]\nfrom = \"x\"\nvalue = \"y\"".to_owned(), "both from and value"),
        ("feed = \"items\"\n[field.name]\ndate = \"%Y\"".to_owned(), "only orderDate and dateModified can"),
        ("feed = \"items\"\n[field.name]\nzone = \"UTC\"".to_owned(), "cannot have zone"),
        ("feed = \"items\"\n[field.name]\nper = \"line\"".to_owned(), "cannot have per"),
        ("feed = \"items\"\n[field.name]\ndecimal = \",\"".to_owned(), "cannot have decimal"),
        ("feed = \"items\"\n[field.name]\n[field.cost]\ndecimal = \";\"".to_owned(), "[field.cost] decimal"),
        ("feed = \"items\"\n[field.name]\nvalue = \"{line}\"".to_owned(), "{file} and {row}"),
        ("feed = \"items\"\n[field.name]\nwords = { a = \"b\" }".to_owned(), "cannot have words"),
        ("feed = \"items\"\n[field.name]\n[field.cost]\nas = \"number\"".to_owned(), "cannot have as"),
        ("feed = \"listings\"\n[field.sku]\n[field.revision]\nas = \"number\"".to_owned(), "cannot have as"),
        (
            "feed = \"listings\"\nformat = \"json\"\n[field.sku]\nfrom = \"/a\"\n[field.revision]\nas = \"digits\"".to_owned(),
            "use text or number",
        ),
        (EXAMPLE.replace("%d/%m/%Y %H:%M", "%d/%m"), "[field.orderDate] date"),
        (EXAMPLE.replace("%d/%m/%Y %H:%M", "%Q!%"), "[field.orderDate] date"),
        (EXAMPLE.replace("Europe/London", "Europe/Londen"), "not a time zone"),
        (EXAMPLE.replace("\"online\"", "\"On line\""), "not a channel code"),
        (EXAMPLE.replace("\"line\"", "\"row\""), "unit or line"),
        (EXAMPLE.replace("[field.sku]", "[field.fee]"), "none of [field.sku]"),
        (format!("{EXAMPLE}[field.channel]\n"), "both channel and [field.channel]"),
    ] {
        check(&toml, expected);
    }
}

/// The form of the CDNOW purchase history: customer, day, quantity and dollars separated by runs of
/// spaces, without a heading and order numbers.
#[test]
fn a_file_of_spaces_without_heading() {
    let cdnow = layout(
        r#"
feed = "orders"
delimiter = "spaces"
header = false
ignore = ["1"]
[field.orderNumber]
value = "{file}-{row}"
[field.orderDate]
from = "2"
date = "%Y%m%d"
[field.name]
value = "music"
[field.orderQuantity]
from = "3"
[field.price]
from = "4"
per = "line"
"#,
    );
    let file = " 00001 19970101  1   11.77\n 00002 19970112  1   12.00\n 00002 19970112  5   77.00\n 00003 19970102  x    1.00\n";
    let read = orders_by(&cdnow, file.as_bytes(), true).unwrap();
    assert_eq!(told(&read)[..3], ["0123456789abcdef-1", "0123456789abcdef-2", "0123456789abcdef-3"]);
    assert!(
        told(&read)[3].starts_with(
            "line 4, order 0123456789abcdef-4, orderQuantity (“3”) = “x”: “x” is not a quantity"
        )
    );
    let third = &read[2].as_ref().unwrap().value;
    assert_eq!(third.ordered.to_string(), "1997-01-12T12:00:00Z");
    assert!(matches!(third.lines[0].price, LinePrice::Line(money) if money.minor() == 7700));
    let live = orders_by(&cdnow, file.as_bytes(), false).expect_err("names nothing");
    assert!(live.to_string().contains("no column for sku or gtin13"), "{live}");
}

/// The same file as the `PyPI` package lifetimes 0.11.3 ships it: with a heading, CRLF, and a space
/// before each row.
#[test]
fn a_file_of_spaces_with_heading() {
    let cdnow = layout(
        r#"
feed = "orders"
delimiter = "spaces"
ignore = ["customer_id"]
[field.orderNumber]
value = "{row}"
[field.orderDate]
from = "date"
date = "%Y%m%d"
[field.name]
value = "music"
[field.orderQuantity]
from = "number_of_cds"
[field.price]
from = "dollar_value"
per = "line"
"#,
    );
    let file = " customer_id  date number_of_cds  dollar_value\r\n 00001 19970101  1   11.77\r\n 00002 19970112  1   12.00\r\n";
    let read = orders_by(&cdnow, file.as_bytes(), true).unwrap();
    assert_eq!(told(&read), ["1", "2"]);
    let line = &read[1].as_ref().unwrap().value.lines[0];
    assert!(matches!(line.price, LinePrice::Line(money) if money.minor() == 1200));
}
