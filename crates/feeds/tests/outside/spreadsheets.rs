//! What spreadsheets and other programs leave in files: empty rows, compressed files, commas in
//! numbers, 12-hour clocks.

use crate::{items_by, layout, orders, orders_by, own, told};
use feeds::{Feed, FeedError, Format, Layout};

const HEADING: &str = "orderNumber,orderDate,sku,orderQuantity,price,name\n";

/// Rows without contents: RFC 4180 has none, spreadsheets write them for every row that was ever
/// touched.
const EMPTY: [&str; 9] = [
    "",
    ",,,,,",
    ",",
    " , ,  ,,,",
    "\"\",\"\",\"\",\"\",\"\",\"\"",
    "\" \",,,,,",
    "\t,,,,,",
    "\u{a0},,,,,",
    ",,,,,,,,,,",
];

#[test]
fn rows_whose_cells_are_all_empty_are_ignored_wherever_they_stand() {
    for empty in EMPTY {
        let rows = [
            empty,
            HEADING.trim_end(),
            empty,
            "1,2026-05-01,A,1,5,Hat",
            empty,
            "1,2026-05-01,B,1,5,Cowl",
            empty,
            "2,2026-05-01,C,1,5,Hat",
            empty,
            empty,
        ];
        let text = rows.join("\n");
        let read = orders(&text);
        assert_eq!(told(&read), ["1", "2"], "{empty:?}");
        let lines = read[0].as_ref().map(|parsed| parsed.value.lines.len());
        assert_eq!(lines.ok(), Some(2), "{empty:?}: an empty row parts no order");
        let read = orders(&text.replace('\n', "\r\n"));
        assert_eq!(told(&read), ["1", "2"], "{empty:?} with CRLF");
    }
    let semicolons =
        "\n;;;;;\norderNumber;orderDate;sku;orderQuantity;price;name\n;;;;;\n1;2026-05-01;A;1;5;x\n;;;;;\n";
    assert_eq!(told(&orders(semicolons)), ["1"]);
    let tabs =
        "\t\t\n \t\t\norderNumber\torderDate\tsku\torderQuantity\tprice\n\t\t\t\t\n1\t2026-05-01\tA\t1\t5\n";
    assert_eq!(told(&orders(tabs)), ["1"]);
}

#[test]
fn empty_rows_are_ignored_in_every_feed_and_in_files_without_headings() {
    let items = items_by(&own(Feed::Items), b",,\nname,offers.price,color\n,,\nHat,40,grey\n , ,\n").unwrap();
    assert_eq!(items.len(), 1);
    assert!(items[0].is_ok());
    let bare = layout(
        "feed = \"items\"\nheader = false\n[field.name]\nfrom = \"1\"\n[field.\"offers.price\"]\nfrom = \"2\"",
    );
    let items = items_by(&bare, b",\n , \nHat,40\n,\nCowl,50\n").unwrap();
    assert_eq!(items.iter().filter(|i| i.is_ok()).count(), 2);
    assert_eq!(items.len(), 2);
    // A row with anything in it counts, and is rejected for what it lacks.
    let read = orders(&format!("{HEADING},,A,,,\n"));
    assert_eq!(read.len(), 1);
    assert!(read[0].is_err());
}

/// The ndjson specification, 3.2, allows parsers to ignore empty lines.
#[test]
fn blank_lines_of_json_lines_are_ignored() {
    let own = Layout::built_in(Feed::Orders, Format::JsonLines);
    let line = "{\"orderNumber\":\"7\",\"orderDate\":\"2026-05-01\",\"sku\":\"A\",\"orderQuantity\":1,\"price\":\"5\"}";
    let read = orders_by(&own, format!("\n \t\r\n{line}\n\n\n").as_bytes(), false).unwrap();
    assert_eq!(told(&read), ["7"]);
}

/// The first bytes of what each tool wrote for one short CSV (gzip 1.12, zip 3.0, xz 5.4, zstd 1.5, bzip2 1.0.8),
/// and of an old workbook.
#[test]
fn a_packed_file_is_called_what_it_is() {
    let check = |start: &[u8], expected: &str| {
        for format in [Format::Csv, Format::Json, Format::JsonLines] {
            let bytes = [start, b"\x00\x01\x02orderNumber\n{[,"].concat();
            let error = orders_by(&Layout::built_in(Feed::Orders, format), &bytes, false)
                .err()
                .map(|e| e.to_string());
            let error = error.unwrap_or_else(|| panic!("{expected} was read as {format:?}"));
            assert!(error.contains(expected), "{format:?}: {error}");
        }
    };
    check(b"\x1f\x8b\x08\x08\x9c\x2a\x6b\x67\x00\x03", "gzip");
    check(b"PK\x03\x04\x14\x00\x00\x00\x08\x00", "ZIP archive");
    check(b"\xfd7zXZ\x00\x00\x04\xe6\xd6", "xz");
    check(b"\x28\xb5\x2f\xfd\x24\x13\x99\x00", "zstd");
    check(b"BZh91AY&SY", "bzip2");
    check(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\x00\x00", "old workbook");
}

#[test]
fn a_comma_in_a_number_points_to_the_layout() {
    let check = |price: &str, pointed: bool| {
        let read = orders(&format!("{HEADING}1,2026-05-01,A,1,\"{price}\",x\n"));
        let words = read[0].as_ref().expect_err(price).to_string();
        assert_eq!(words.contains("decimal = \",\" below [field.price]"), pointed, "{price}: {words}");
        assert!(words.contains("line 2, order 1, price"), "{words}");
    };
    check("47,50", true);
    check("1.234,50", true);
    check("-0,5", true);
    check("1 234,50", true);
    check("1,234.50", false);
    check("a,50", false);
    check("47,", false);
    check(",50", false);
    let items =
        items_by(&own(Feed::Items), b"name,weight.value,weight.unitCode\nHat,\"6,35\",ONZ\n").unwrap();
    let words = items[0].as_ref().expect_err("a comma").to_string();
    assert!(words.contains("decimal = \",\" below [field.weight.value]"), "{words}");
}

/// XML Schema 1.1 part 2, 3.3.7: an offset is at most 14 hours.
#[test]
fn an_offset_that_no_place_has_is_refused() {
    let check = |date: &str, taken: bool| {
        let read = orders(&format!("{HEADING}1,{date},A,1,5,x\n"));
        let words = read[0].as_ref().err().map(ToString::to_string);
        assert_eq!(words.is_none(), taken, "{date}: {words:?}");
        assert!(words.is_none_or(|w| w.contains("beyond 14 hours")), "{date}");
    };
    check("2026-05-01T12:00:00+14:00", true);
    check("2026-05-01T12:00:00-14:00", true);
    check("2026-05-01T12:00:00Z", true);
    check("2026-05-01T12:00:00+14:01", false);
    check("2026-05-01T12:00:00-15:00", false);
    check("2026-05-01T12:00:00+23:59", false);
    let zoned = layout(
        "feed = \"orders\"\n[field.orderNumber]\n[field.orderDate]\ndate = \"%Y-%m-%d %H:%M %z\"\n[field.sku]\n[field.orderQuantity]\n[field.price]",
    );
    let one = |offset: &str| {
        let text =
            format!("orderNumber,orderDate,sku,orderQuantity,price\n1,2026-05-01 12:00 {offset},A,1,5\n");
        told(&orders_by(&zoned, text.as_bytes(), false).unwrap()).remove(0)
    };
    assert_eq!(one("+1400"), "1");
    assert!(one("+1430").contains("beyond 14 hours"), "{}", one("+1430"));
    assert!(one("-2359").contains("beyond 14 hours"), "{}", one("-2359"));
}

#[test]
fn a_pattern_says_which_half_of_the_day_it_means() {
    let check = |pattern: &str, expected: Option<&str>| {
        let text = format!(
            "feed = \"orders\"\n[field.orderNumber]\n[field.orderDate]\ndate = \"{pattern}\"\n[field.sku]\n[field.orderQuantity]\n[field.price]"
        );
        let words = Layout::parse(&text).err().map(|e| e.to_string());
        let is_right = match (&words, expected) {
            (Some(words), Some(expected)) => words.contains(expected),
            (words, expected) => words.is_none() && expected.is_none(),
        };
        assert!(is_right, "{pattern}: {words:?}");
    };
    check("%d/%m/%Y %I:%M %p", None);
    check("%d/%m/%Y %-I:%M %P", None);
    check("%d/%m/%Y %l:%M%p", None);
    check("%d/%m/%Y %H:%M", None);
    check("%d/%m/%Y %I:%M", Some("%p (AM or PM)"));
    check("%d/%m/%Y %-I:%M", Some("%p (AM or PM)"));
    check("%d/%m/%Y %_2I:%M", Some("%p (AM or PM)"));
    check("%d/%m/%Y %l:%M", Some("%p (AM or PM)"));
    check("%d/%m/%Y %%I", None);
    check("%d/%m/%Y %M", Some("minutes without their hour"));
    check(&format!("%d/%m/%Y{}", " ".repeat(200)), Some("a pattern that says year"));
}

/// An object is written with names at every level: a list in its place is no alternative.
#[test]
fn a_list_in_place_of_an_object_is_refused_in_json_feeds() {
    let own = Layout::built_in(Feed::Orders, Format::Json);
    let order = |customer: &str| {
        format!(
            "[{{\"orderNumber\":\"7\",\"orderDate\":\"2026-05-01\",\"sku\":\"A\",\"orderQuantity\":1,\"price\":\"5\",\"customer\":{customer}}}]"
        )
    };
    let one = |customer: &str| told(&orders_by(&own, order(customer).as_bytes(), false).unwrap()).remove(0);
    assert_eq!(one("{\"name\":\"Ann\"}"), "7");
    assert!(one("[\"Ann\"]").contains("“/customer” is a list here"), "{}", one("[\"Ann\"]"));
    assert!(one("[]").contains("“/customer” is a list here"), "{}", one("[]"));
    let record = told(&orders_by(&own, b"[[\"7\",\"2026-05-01\",\"A\",1,\"5\"]]", false).unwrap()).remove(0);
    assert!(record.contains("a record must be a JSON object in braces"), "{record}");
    // A field may be reached by its index in a list, and what is next to it is known or rejected by
    // name.
    let placed = layout(
        "feed = \"orders\"\nformat = \"json\"\n[field.orderNumber]\nfrom = \"/n\"\n[field.orderDate]\nfrom = \"/d\"\n[field.sku]\nfrom = \"/goods/0/sku\"\n[field.orderQuantity]\nfrom = \"/q\"\n[field.price]\nfrom = \"/p\"",
    );
    let one = |goods: &str| {
        let text = format!("[{{\"n\":\"7\",\"d\":\"2026-05-01\",\"q\":1,\"p\":\"5\",\"goods\":{goods}}}]");
        told(&orders_by(&placed, text.as_bytes(), false).unwrap()).remove(0)
    };
    assert_eq!(one("[{\"sku\":\"A\"}]"), "7");
    assert!(
        one("[{\"sku\":\"A\",\"gift\":1}]").contains("“/goods/0/gift”"),
        "{}",
        one("[{\"sku\":\"A\",\"gift\":1}]")
    );
}

#[test]
fn a_layout_is_read_by_the_names_of_its_keys() {
    let list = "feed = \"orders\"\nfield.orderNumber = [\"Ref\"]\n[field.orderDate]\n[field.sku]\n[field.orderQuantity]\n[field.price]";
    let error = Layout::parse(list).expect_err("a list for a table").to_string();
    assert!(error.contains("fields by name") && error.contains("line 2"), "{error}");
}

#[test]
fn deep_texts_are_refused_before_they_are_read() {
    let deep = [
        format!("feed = {}", "[".repeat(100_000)),
        format!("feed = {}", "{a=".repeat(100_000)),
        format!("{}a = 1", "a.".repeat(100_000)),
        format!("[{}a]", "a.".repeat(100_000)),
        format!("x = {{ {}a = 1 }}", "a.".repeat(20_000)),
    ];
    for text in deep {
        let error = Layout::parse(&text).expect_err("deep").to_string();
        assert!(error.contains("go deeper than 16"), "{}", error.chars().take(200).collect::<String>());
        assert!(feeds::connection::ConnectionFile::parse(&text).is_err());
    }
    let stock_units = "/a".repeat(17);
    let text = format!("feed = \"listings\"\nformat = \"json\"\n[field.sku]\nfrom = \"{stock_units}\"");
    assert!(Layout::parse(&text).is_err());
    let record = format!("[{}1{}]", "{\"a\":".repeat(100_000), "}".repeat(100_000));
    let own = Layout::built_in(Feed::Orders, Format::Json);
    let read = orders_by(&own, record.as_bytes(), false);
    assert!(
        matches!(read, Ok(ref read) if read.iter().all(Result::is_err))
            || matches!(read, Err(FeedError::NotJson { .. }))
    );
}
