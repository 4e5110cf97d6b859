//! Bad input to each command that reads a file: a clear error that names the place, and nothing done by
//! half.

use crate::shop::Place;

const ITEM_HEAD: &str =
    "name,sku,gtin13,kind,offers.price,weight.value,weight.unitCode,quantity,quantity.unitCode";
const ORDER_HEAD: &str = "orderNumber,orderDate,sku,orderQuantity,price,refundNumber";

#[test]
fn bad_rows_of_items() {
    for place in Place::all() {
        let place = place.stocked();
        let kinds = place.kinds();
        let check = |row: &str, expected: &str| {
            place.put("bad.csv", format!("{ITEM_HEAD}\n{row}\n"));
            place.run(&["add", "items", "bad.csv"]).expect(3).told("bad.csv: line 2").told(expected);
            assert_eq!(place.kinds(), kinds, "{row}");
        };
        check("Hat,,9521234543214,,5,,,,", "gtin13 = “9521234543214”");
        check("Hat,NEW,9521234543213,,5,,,,", "already belongs to Book of knots");
        check("Hat,,,,5,0,ONZ,,", "weight.value = “0”");
        check("Hat,,,,5,5000,KGM,,", "weight.value = “5000”");
        check("Hat,,,,-5,,,,", "offers.price = “-5”");
        check("Hat,,,,5 EUR,,,,", "offers.price = “5 EUR”");
        check("Hat,,,,5.001,,,,", "offers.price = “5.001”");
        check("Hat,,", "the row has 3 fields and the first row has 9");
        check("Hat\u{0},,,,5,,,,", "NUL");
        check("\"Hat,,,,5,,,,", "never closed");
        check(&format!("{},,,,5,,,,", "x".repeat(1 << 20)), "longer than");
        check("Loom kit,KIT,,,35.00,,,4,", "a file never changes stock");
    }
}

#[test]
fn bad_orders() {
    for place in Place::all() {
        let place = place.stocked();
        place.run(&["shop", "set", "zone", "America/New_York"]).expect(0);
        place.put("first.csv", format!("{ORDER_HEAD}\n1,2026-06-14,KIT,1,35.00,\n"));
        place.run(&["feed", "in", "first.csv"]).expect(0);
        let books = || place.run(&["books", "--format", "csv"]).expect(0).out;
        let before = books();
        let check = |rows: &str, expected: &str| {
            place.put("bad.csv", format!("{ORDER_HEAD}\n{rows}\n"));
            place.run(&["feed", "in", "bad.csv"]).expect(3).told("bad.csv: line ").told(expected);
            assert_eq!(books(), before, "{rows}");
        };
        // The right check digit is 5 (GS1's rule).
        check("9,2026-06-14,2000000000014,1,48.00,", "wrong digit (its check digit should be 5)");
        check("9,2026-06-14,NONE,1,48.00,", "no item has the code NONE");
        check("9,2026-06-14,B1,1,-48.00,", "price = “-48.00”");
        check("9,2026-06-14,B1,1,48.00 EUR,", "price = “48.00 EUR”");
        check("9,2026-06-14,B1,1", "the row has 4 fields");
        check("9,2026-06-14,B\u{0}1,1,48.00,", "NUL");
        // New York's clocks went from 01:59 to 03:00 on 8 March 2026 (IANA time zone database).
        check("9,2026-03-08T02:30,B1,1,48.00,", "the clocks went forward over it");
        check("1,2026-06-14,KIT,2,35.00,", "imported before with different contents");
        check("1,2026-06-14,KIT,-2,35.00,R1", "can still be refunded");
        check(
            "8,2026-06-14,B1,1,48,\n9,2026-06-14,C1,1,60,\n8,2026-06-14,C1,1,60,\n9,2026-06-14,B1,1,48,",
            "several places",
        );
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn a_piece_sold_a_second_ago_falls_short_and_is_no_reject() {
    for place in Place::all() {
        let place = place.stocked();
        place.put("a.csv", format!("{ORDER_HEAD}\n1,2026-06-14,B1,1,48.00,\n"));
        place.put("b.csv", format!("{ORDER_HEAD}\n2,2026-06-14,B1,1,48.00,\n"));
        place.run(&["feed", "in", "a.csv"]).expect(0).told("1 lines filled, 0 short");
        place
            .run(&["feed", "in", "b.csv"])
            .expect(0)
            .told("0 lines filled, 1 short")
            .told("choose for each out-of-stock line");
        let books = place.run(&["books", "--format", "csv"]).expect(0).out;
        assert!(books.contains("2026-06,online,1,1,0.00,48.00,"), "{books}");
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn files_that_cannot_be_read() {
    let place = Place::sqlite().stocked();
    let check = |name: &str, bytes: &[u8], expected: &str| {
        place.put(name, bytes);
        let line = ["feed", "in", name];
        place.run(&line).expect(1).told(&format!("fleecefold: {name}: ")).told(expected);
    };
    check("a.csv", b"", "the file is empty");
    check("a.csv", b"\xff\xfeo\0r\0", "UTF-16");
    check("a.csv", b"orderNumber,Wash\n1,2\n", "“Wash”");
    check("a.csv", b"orderNumber,orderDate,orderQuantity,price\n", "sku or gtin13");
    check("a.csv", b"orderNumber,orderNumber\n", "twice");
    check("a.json", b"orderNumber", "the document has no list");
}

#[test]
fn the_same_items_twice_are_added_once() {
    for place in Place::all() {
        let place = place.stocked();
        place.put("hats.csv", "name,offers.price\nHat,40\n");
        place.run(&["add", "items", "hats.csv"]).expect(0).told("1 added");
        let again =
            place.run(&["add", "items", "hats.csv"]).expect(0).told("1 added").told("nothing was done now");
        assert_eq!((again.out.as_str(), place.stock("Hat").as_str()), ("", "1 0"));
        place.run(&["add", "items", "--again", "hats.csv"]).expect(0).told("1 added");
        assert_eq!(place.stock("Hat"), "2 0");
    }
}
