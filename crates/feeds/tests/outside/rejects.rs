//! The file of rejected rows: corrected and imported again.

use crate::{FILE_HASH, layout};
use domain::day::Zone;
use domain::money::Currency;
use feeds::{Feed, Format, Layout, Reading, RejectsWriter, read_orders};
use std::io::Cursor;

/// The contents of the rejects file of some orders, and the numbers that were accepted.
fn feed(layout: &Layout, bytes: &[u8]) -> (Vec<u8>, Vec<String>) {
    let zone = Zone::utc();
    let reading = Reading { layout, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    let mut orders = read_orders(Cursor::new(bytes), reading, false).unwrap_or_else(|e| panic!("{e}"));
    let mut file = Vec::new();
    let mut rejects = RejectsWriter::new(&mut file, orders.shape().clone());
    let read: Vec<_> = orders.by_ref().collect();
    for reject in read.iter().filter_map(|r| r.as_ref().err()) {
        rejects.write(reject).unwrap();
    }
    rejects.finish().unwrap();
    let taken: Vec<_> = read.into_iter().flatten().map(|p| p.value.number.to_string()).collect();
    (file, taken)
}

fn lines(bytes: &[u8]) -> usize {
    bytes.split_inclusive(|b| *b == b'\n').count()
}

fn mended(file: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    let at = file.windows(from.len()).position(|w| w == from).expect("the value to mend");
    [&file[..at], to, &file[at + from.len()..]].concat()
}

#[test]
fn csv_rows_come_back_in_their_own_bytes() {
    let own = Layout::built_in(Feed::Orders, Format::Csv);
    // Semicolons, CRLF, Windows-1252, quotes and a line break inside one.
    let file = b"orderNumber;orderDate;sku;orderQuantity;price;name\r\n\
        1;2026-05-01;A;1;5;Gr\xfcn\r\n2;2026-05-01;B;x;5;\"Gr\xfcn; \"\"big\"\"\r\nhat\"\r\n2;2026-05-01;C;1;5;plain\r\n";
    let (rejects, taken) = feed(&own, file);
    assert_eq!(taken, ["1"]);
    let reason = b";\"line 3, order 2, orderQuantity = \x93x\x94: \x93x\x94 is not a quantity; enter digits, such as 1 or 2.5\"\r\n";
    let expected = [
        &b"orderNumber;orderDate;sku;orderQuantity;price;name;reject.reason\r\n2;2026-05-01;B;x;5;\"Gr\xfcn; \"\"big\"\"\r\nhat\""[..],
        reason,
        b"2;2026-05-01;C;1;5;plain",
        reason,
    ]
    .concat();
    assert_eq!(String::from_utf8_lossy(&rejects), String::from_utf8_lossy(&expected));
    // Without a correction it is rejected again, with one reason and not two.
    let again = String::from_utf8_lossy(&feed(&own, &rejects).0).into_owned();
    assert_eq!(again, String::from_utf8_lossy(&expected).replace("line 3", "line 2"));
    // A name must be on one line.
    let whole = mended(&mended(&rejects, b";x;", b";1;"), b"\r\nhat", b" hat");
    let (none, taken) = feed(&own, &whole);
    assert_eq!((none.len(), taken), (0, vec!["2".to_owned()]));
}

#[test]
fn a_half_row_comes_back_once_it_is_whole() {
    let own = Layout::built_in(Feed::Orders, Format::Csv);
    let (rejects, taken) =
        feed(&own, b"orderNumber,orderDate,sku,orderQuantity,price\n1,2026-05-01,A,1,5\n2,2026-05-01,B\n");
    assert_eq!(taken, ["1"]);
    assert_eq!(lines(&feed(&own, &rejects).0), 2);
    let (none, taken) = feed(&own, &mended(&rejects, b",B,", b",B,1,5,"));
    assert_eq!((none.len(), taken), (0, vec!["2".to_owned()]));
}

#[test]
fn a_file_without_heading_comes_back_too() {
    let spaces = layout(
        "feed = \"orders\"\ndelimiter = \"spaces\"\nheader = false\n[field.orderNumber]\nfrom = \"1\"\n[field.orderDate]\nfrom = \"2\"\n[field.sku]\nfrom = \"3\"\n[field.orderQuantity]\nfrom = \"4\"\n[field.price]\nfrom = \"5\"",
    );
    let (rejects, taken) = feed(&spaces, b" 1  2026-05-01 A 1 5\n 2  2026-05-01 B x 5\n");
    assert_eq!(taken, ["1"]);
    let text = String::from_utf8(rejects.clone()).unwrap();
    assert_eq!(
        text,
        " 2  2026-05-01 B x 5 \"reject.reason: line 2, order 2, orderQuantity ('4') = 'x': 'x' is not a quantity; enter digits, such as 1 or 2.5\"\n"
    );
    assert_eq!(feed(&spaces, &mended(&rejects, b"B x", b"B 1")).1, ["2"]);
}

#[test]
fn json_comes_back_as_lines() {
    let document = layout(
        "feed = \"orders\"\nformat = \"json\"\nlines = \"/items\"\n[field.orderNumber]\nfrom = \"/n\"\n[field.orderDate]\nfrom = \"/d\"\n[field.sku]\nfrom = \"/sku\"\n[field.orderQuantity]\nfrom = \"/q\"\n[field.price]\nfrom = \"/p\"",
    );
    let file = b"[{\"n\": 1, \"d\": \"2026-05-01\", \"items\": [{\"sku\": \"A\", \"q\": 1, \"p\": 5}]},\n{\"n\": 2, \"d\": \"2026-05-01\",\n \"items\": [{\"sku\": \"B\", \"q\": \"x\", \"p\": 5}]}]";
    let (rejects, taken) = feed(&document, file);
    assert_eq!(taken, ["1"]);
    let text = String::from_utf8(rejects.clone()).unwrap();
    assert_eq!(text.lines().count(), 1);
    assert!(text.starts_with("{\"n\": 2, \"d\": \"2026-05-01\",  \"items\": [{\"sku\": \"B\", \"q\": \"x\", \"p\": 5}],\"reject.reason\":\"line 2, order 2, orderQuantity (“/q”)"), "{text}");
    let lines = document.with_format(Format::JsonLines);
    assert_eq!(self::lines(&feed(&lines, &rejects).0), 1);
    assert_eq!(feed(&lines, &mended(&rejects, b"\"x\"", b"1")).1, ["2"]);
}

#[test]
fn what_the_ledger_refuses_goes_the_same_way() {
    let own = Layout::built_in(Feed::Orders, Format::Csv);
    let zone = Zone::utc();
    let reading = Reading { layout: &own, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    let text = "orderNumber,orderDate,sku,orderQuantity,price\n1,2026-05-01,A,1,5\n";
    let mut orders = read_orders(Cursor::new(text), reading, false).unwrap();
    let parsed = orders.next().unwrap().unwrap();
    let reject = feeds::Reject::refused(parsed, "order 1 came before with another body".to_owned());
    let mut file = Vec::new();
    let mut rejects = RejectsWriter::new(&mut file, orders.shape().clone());
    rejects.write(&reject).unwrap();
    assert_eq!(rejects.finish().unwrap(), 1);
    let expected = "orderNumber,orderDate,sku,orderQuantity,price,reject.reason\n1,2026-05-01,A,1,5,\"line 2: order 1 came before with another body\"\n";
    assert_eq!(String::from_utf8(file).unwrap(), expected);
}
