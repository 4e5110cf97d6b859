//! How a layout reads the first rows of a file.

use crate::layout;
use domain::day::Zone;
use domain::money::Currency;
use feeds::{Reading, preview};

const LAYOUT: &str = r#"
feed = "orders"
ignore = "*"
[field.orderNumber]
from = "Slip"
[field.orderDate]
from = "Day"
date = "%d %b %Y"
[field.sku]
from = "Tag"
[field.orderQuantity]
value = "1"
[field.price]
from = "Paid"
decimal = ","
"#;

/// The rows as `line: cell|cell`, with `!` and the field at fault.
fn shown(toml: &str, file: &str, most: usize, cut: bool) -> Vec<String> {
    let (layout, zone) = (layout(toml), Zone::utc());
    let reading = Reading { layout: &layout, currency: Currency::USD, zone: &zone, file_hash: "ab" };
    let found = preview(file.as_bytes(), reading, most, cut).expect("a preview");
    let row = |row: feeds::PreviewRow| {
        let fault = row.refused.map(|_| format!(" !{}", row.field.unwrap_or_default()));
        format!("{}: {}{}", row.line, row.cells.join("|"), fault.unwrap_or_default())
    };
    found.rows.into_iter().map(row).collect()
}

#[test]
fn rows_stand_as_the_layout_reads_them() {
    let file = "Slip;Day;Tag;Paid;More\nA;3 Nov 2025;HAT;24,00;x\nA;3 Nov 2025;COWL;9,5;y\nB;31 Nov 2025;HAT;1,00;z\n";
    let expected = [
        "2: A|3 Nov 2025|HAT|1|24,00",
        "3: A|3 Nov 2025|COWL|1|9,5",
        "4: B|31 Nov 2025|HAT|1|1,00 !orderDate",
    ];
    assert_eq!(shown(LAYOUT, file, 20, false), expected);
    assert_eq!(shown(LAYOUT, file, 2, false), expected[..2]);
}

#[test]
fn the_end_of_a_file_that_was_cut_off_is_no_fault_of_it() {
    let file = "Slip;Day;Tag;Paid;More\nA;3 Nov 2025;HAT;24,00;x\nB;4 Nov 20";
    assert_eq!(shown(LAYOUT, file, 20, true), ["2: A|3 Nov 2025|HAT|1|24,00"]);
    assert_eq!(shown(LAYOUT, file, 20, false).len(), 2);
}

#[test]
fn the_lines_of_a_json_order_stand_one_by_one() {
    let toml = r#"
feed = "orders"
format = "json"
each = "/orders"
lines = "/items"
ignore = "*"
[field.orderNumber]
from = "/ref"
[field.orderDate]
from = "/at"
[field.sku]
from = "/code"
[field.orderQuantity]
from = "/count"
[field.price]
from = "/each"
"#;
    let file = r#"{"orders": [{"ref": "A", "at": "2026-05-17", "items": [
        {"code": "HAT", "count": 1, "each": "24.00"}, {"code": "COWL", "count": 2, "each": "9.00"}]}]}"#;
    assert_eq!(shown(toml, file, 20, false), ["1: A|2026-05-17|HAT|1|24.00", "1: A|2026-05-17|COWL|2|9.00"]);
}
