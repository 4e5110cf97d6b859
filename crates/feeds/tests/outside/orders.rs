//! Importing orders from CSV with our own columns.

use crate::{layout, orders, orders_by, own, told};
use domain::money::Money;
use domain::order::{LinePrice, OrderStatus, Refunded};
use domain::quantity::Asked;
use feeds::{Cause, Feed};

const HEADING: &str = "orderNumber,orderDate,sku,orderQuantity,price,discount,shipping,tax,fee";

fn file(rows: &[&str]) -> String {
    format!("{HEADING}\n{}\n", rows.join("\n"))
}

fn check(rows: &[&str], expected: &[&str]) {
    let told = told(&orders(&file(rows)));
    assert_eq!(told.len(), expected.len(), "{told:#?}");
    for (told, expected) in told.iter().zip(expected) {
        assert!(told.contains(expected), "{told}\ndoes not say {expected}");
    }
}

#[test]
fn rows_that_stand_together_are_one_order() {
    let rows = [
        "7,2026-05-01,A,1,10.00,,4.50,0.80,1.00",
        "7,,B,2,5.00,1.00,,0.40,",
        "7,2026-05-01T12:00:00Z,C,1,2.00,30.00,0.50,,0.25",
        "8,2026-05-02,A,1,10,,,,",
    ];
    let read = orders(&file(&rows));
    let seven = read[0].as_ref().unwrap();
    assert_eq!((seven.line, seven.rows.len()), (2, 3));
    let order = &seven.value;
    // 30.00 off a line of 2.00 can only be a discount on the order; shipping and fee are summed.
    assert_eq!([order.discount, order.shipping, order.fee].map(Money::minor), [3000, 500, 125]);
    let lines: Vec<_> = order.lines.iter().map(|l| (l.discount.minor(), l.tax.minor())).collect();
    assert_eq!(lines, [(0, 80), (100, 40), (0, 0)]);
    assert!(matches!(order.lines[1].price, LinePrice::Each(m) if m.minor() == 500));
    assert_eq!(order.status, OrderStatus::OrderProcessing);
    assert_eq!(read[1].as_ref().unwrap().value.number.as_str(), "8");
    assert_eq!(seven.rows.iter().next(), Some(rows[0].as_bytes()));
}

#[test]
fn an_order_is_refused_whole_and_the_rest_goes_on() {
    check(
        &[
            "1,2026-05-01,A,1,10,,,,",
            "1,2026-05-01,B,one,10,,,,",
            "1,2026-05-01,C,1,10,,,,",
            "2,2026-05-01,D,1,10,,,,",
        ],
        &["line 3, order 1, orderQuantity = “one”: “one” is not a quantity", "2"],
    );
    check(&["1,2026-05-01,A,0,10,,,,"], &["orderQuantity = “0”: the quantity is 0"]);
    check(&["1,2026-05-01,A,1,0,,,,"], &["price = “0”: the price is 0"]);
    check(&["1,2026-05-01,A,1,-1,,,,"], &["price = “-1”: this may not be below 0"]);
    check(&["1,2026-05-01,A,1,1.005,,,,"], &["more than 2 decimals"]);
    check(&["1,2026-05-01,A,1,,,,,"], &["price: this may not be empty"]);
    check(&["1,2026-05-01,,1,5,,,,"], &["give sku or gtin13"]);
    check(&["1,,A,1,5,,,,"], &["orderDate: this may not be empty"]);
    check(&["1,tomorrow,A,1,5,,,,"], &["orderDate = “tomorrow”"]);
    check(
        &["1,2026-05-01,A,1,5,,,,", "1,2026-05-02,A,1,5,,,,"],
        &["line 3, order 1, orderDate = “2026-05-02”: line 2 of the same order has another value"],
    );
    check(&["1,2026-05-01,A,1,5,-2,,,"], &["discount = “-2”: this may not be below 0"]);
}

#[test]
fn a_split_order_is_refused_wherever_its_rows_stand() {
    check(
        &[
            "1,2026-05-01,A,1,5,,,,",
            "2,2026-05-01,B,1,5,,,,",
            "1,2026-05-01,C,1,5,,,,",
            "3,2026-05-01,D,1,5,,,,",
        ],
        &[
            "line 2, order 1: rows of this order are in several places",
            "2",
            "line 4, order 1: rows of this order",
            "3",
        ],
    );
}

/// Which order does a broken row belong to? If that is unknown, neither neighbor is taken.
#[test]
fn a_broken_row_takes_no_order_in_half() {
    // The number comes first, so half a row still shows its order.
    check(
        &["1,2026-05-01,A,1,5,,,,", "2,2026-0", "3,2026-05-01,C,1,5,,,,"],
        &["1", "line 3, order 2: the row has 2 fields and the first row has 9", "3"],
    );
    check(&["1,2026-05-01,A,1,5,,,,", "1,2026-05-01,B,1,5,,,"], &["line 3, order 1: the row has 8 fields"]);
    check(
        &[
            "1,2026-05-01,A,1,5,,,,",
            ",2026-05-01,B,1,5,,,,",
            "2,2026-05-01,C,1,5,,,,",
            "3,2026-05-01,D,1,5,,,,",
        ],
        &[
            "line 3, order 1, orderNumber: this may not be empty",
            "line 3, next to this order, cannot be read",
            "3",
        ],
    );
    check(
        &["\"1\"x,2026-05-01,A,1,5,,,,", "2,2026-05-01,C,1,5,,,,", "3,2026-05-01,D,1,5,,,,"],
        &["line 2: there is text between a closing quotation mark", "line 2, next to this order", "3"],
    );
    // If the number comes later, a missing field may have shifted it.
    let moved = "sku,orderNumber,orderDate,orderQuantity,price\nA,1,2026-05-01,1,5\n1,2026-05-01,1,5\nC,2,2026-05-01,1,5\nD,3,2026-05-01,1,5\n";
    let told = told(&orders(moved));
    assert!(told[0].starts_with("line 3, order 1: the row has 4 fields"), "{told:#?}");
    assert!(told[1].contains("line 3, next to this order"), "{told:#?}");
    assert_eq!(told[2..], ["3"]);
}

#[test]
fn nul_and_stray_quotes_are_placed() {
    check(
        &["1,2026-05-01,A\0B,1,5,,,,", "2,2026-05-01,C,1,5,,,,"],
        &["line 2, order 1, sku = “A\u{fffd}B”: the row contains a NUL byte", "2"],
    );
    check(
        &["1,2026-05-01,A\"B,1,5,,,,", "2,2026-05-01,C,1,5,,,,"],
        &["line 2, order 1: a quotation mark is inside", "2"],
    );
}

#[test]
fn rows_below_zero_are_refunds() {
    let rows = [
        "1,2026-05-01,A,3,5,,,,",
        "1,2026-05-01,A,-1,-5,,,-0.40,",
        "1,2026-05-01,A,-1,-5,,,-0.40,",
        "1,2026-05-01,B,-1,5,,,,",
    ];
    let numbers = |text: &str| -> Vec<String> {
        let read = orders(text);
        let order = &read[0].as_ref().unwrap_or_else(|e| panic!("{e}")).value;
        assert_eq!((order.lines.len(), order.refunds.len()), (1, 3));
        assert_eq!(order.refunds[0].what, Refunded::Goods(Asked::ONE));
        order.refunds.iter().map(|r| r.number.to_string()).collect()
    };
    let plain = numbers(&file(&rows));
    // Equal rows are distinguished by their count, other rows by their hash.
    assert_eq!(plain[0].strip_suffix(":1"), plain[1].strip_suffix(":2"));
    assert_ne!(plain[0].split(':').nth(1), plain[2].split(':').nth(1));
    assert_eq!(plain[0].len(), "row:".len() + 16 + ":1".len());
    // Line ends, a byte order mark, and the reason of an earlier rejection change nothing.
    let marked = format!("\u{feff}{}", file(&rows).replace('\n', "\r\n"));
    assert_eq!(numbers(&marked), plain);
    let reasoned: Vec<String> = rows.iter().map(|r| format!("{r},\"line 3: why\"")).collect();
    let reasoned = format!("{HEADING},reject.reason\n{}\n", reasoned.join("\n"));
    assert_eq!(numbers(&reasoned), plain);
    check(&["1,2026-05-01,A,-1,5,,2.00,,"], &["shipping = “2.00”: this row is a refund"]);
}

#[test]
fn a_refund_keeps_its_own_number_and_the_customer_is_no_part_of_the_hash() {
    let file = |email: &str| {
        format!(
            "orderNumber,orderDate,sku,orderQuantity,price,refundNumber,customer.email\n1,2026-05-01,A,-1,5,R-9,{email}\n2,2026-05-01,A,-1,5,,{email}\n"
        )
    };
    let numbers = |email: &str| -> Vec<String> {
        orders(&file(email)).iter().map(|r| r.as_ref().unwrap().value.refunds[0].number.to_string()).collect()
    };
    assert_eq!(numbers("a@example.org")[0], "R-9");
    assert_eq!(numbers("a@example.org"), numbers("b@example.org"));
}

#[test]
fn past_orders_need_a_name_only() {
    let file =
        b"orderNumber,orderDate,name,orderQuantity,price\n1,2020-05-01,Grey hat,1,0\n2,2020-05-01,,1,5\n";
    let by_name = own(Feed::Orders);
    let read = orders_by(&by_name, file, true).unwrap();
    let line = &read[0].as_ref().unwrap().value.lines[0];
    assert_eq!((line.code.as_ref(), line.name.as_str()), (None, "Grey hat"));
    assert!(told(&read)[1].contains("give sku, gtin13 or name"));
    let live = told(&orders_by(&by_name, file, false).unwrap());
    assert!(live[0].contains("give sku or gtin13"), "{live:?}");
    let nothing = orders_by(&by_name, b"orderNumber,orderDate,orderQuantity,price\n", true);
    assert!(nothing.is_err_and(|e| e.to_string().contains("sku or gtin13")));
}

#[test]
fn status_customer_and_channel_are_the_orders() {
    let text = "orderNumber,orderDate,sku,orderQuantity,price,orderStatus,dateModified,customer.name,customer.email,channel\n\
        1,2026-05-01,A,1,5,OrderPaymentDue,2026-05-02T10:00:00Z,Ann,ann@example.org,spring-fair\n\
        1,2026-05-01,B,1,5,https://schema.org/OrderPaymentDue,,,,spring-fair\n\
        1,2026-05-01,B,1,5,,,,,online\n\
        2,2026-05-01,B,1,5,Paid,,,,\n\
        3,2026-05-01,B,1,5,,,,,Fair\n\
        4,2026-05-01,A,1,5,,,Ann,,\n4,2026-05-01,A,1,5,,,Bea,,\n";
    let read = orders(text);
    let first = &read[0].as_ref().unwrap().value;
    assert_eq!((first.status, first.lines.len()), (OrderStatus::OrderPaymentDue, 2));
    assert_eq!(first.modified.unwrap().to_string(), "2026-05-02T10:00:00Z");
    assert_eq!((first.customer.name.as_str(), first.customer.email.as_str()), ("Ann", "ann@example.org"));
    assert_eq!(first.channel.as_str(), "spring-fair");
    // The same number on another channel is another order.
    assert_eq!(read[1].as_ref().unwrap().value.channel.as_str(), "online");
    // An unknown status is passed on as unknown: the importer holds the stock and asks.
    assert_eq!(read[2].as_ref().unwrap().value.status, OrderStatus::Unknown);
    let told = told(&read);
    assert!(told[3].contains("channel = “Fair”"), "{}", told[3]);
    assert!(told[4].contains("customer.name = “Bea”: line 7 of the same order"), "{}", told[4]);
}

#[test]
fn of_history_a_status_that_nobody_knows_is_refused() {
    let heading = "orderNumber,orderDate,sku,orderQuantity,price,orderStatus";
    let file = format!("{heading}\n2,2026-05-01,B,1,5,Paid\n");
    let read = orders_by(&own(Feed::Orders), file.as_bytes(), true).unwrap();
    let told = told(&read);
    let expected = "orderStatus = “Paid”: this is not known here; use OrderPaymentDue, OrderProcessing";
    assert!(told[0].contains(expected), "{}", told[0]);
}

#[test]
fn what_changes_with_the_order_is_no_part_of_a_refunds_hash() {
    let heading = "orderNumber,orderDate,sku,orderQuantity,price,orderStatus,dateModified,name,discount,shipping,tax,fee,\
        customer.name,customer.email";
    let numbers = |refund: &str, second: &str| -> Vec<String> {
        let read = orders(&format!("{heading}\n1,{refund}\n1,{second}\n"));
        let refunds = &read[0].as_ref().unwrap_or_else(|e| panic!("{e}")).value.refunds;
        refunds.iter().map(|r| r.number.to_string()).collect()
    };
    let (first, second) = ("2026-05-01,A,-1,5,,,Kit,,,,,,", "2026-05-01,A,-1,5,,,Kit,,,,,,");
    let plain = numbers(first, second);
    assert_ne!(plain[0], plain[1], "equal rows are counted within the order");
    let later = "2026-05-01,A,-1,5,OrderDelivered,2026-05-09T10:00:00Z,Kit,,,,,Ann,a@example.org";
    assert_eq!(numbers(later, later), plain);
    let dearer = "2026-05-02,A,-1,6,OrderProblem,2026-05-10T10:00:00Z,Kit,0.00,0,-0.40,0.00,,";
    assert_eq!(numbers(dearer, dearer), plain);
    for other in ["2026-05-01,B,-1,5,,,Kit,,,,,,", "2026-05-01,A,-2,5,,,Kit,,,,,,"] {
        assert_ne!(numbers(other, second)[0], plain[0], "{other}");
    }
}

#[test]
fn an_order_has_a_bounded_number_of_lines() {
    let rows: Vec<String> = (0..1_000).map(|i| format!("1,2026-05-01,A{i},1,5,,,,")).collect();
    let mut rows: Vec<&str> = rows.iter().map(String::as_str).collect();
    rows.push("2,2026-05-01,B,1,5,,,,");
    let read = orders(&file(&rows));
    let refused: usize = read.iter().filter_map(|r| r.as_ref().err()).map(|r| r.rows().len()).sum();
    assert_eq!(refused, 1_000, "every row of the refused order goes to the rejects");
    for reject in read.iter().filter_map(|r| r.as_ref().err()) {
        assert_eq!(reject.cause(), &Cause::TooManyLines);
    }
    assert_eq!(told(&read).last().map(String::as_str), Some("2"));
}

#[test]
fn a_gtin_finds_the_item_too() {
    let by_gtin = layout(
        "feed = \"orders\"\n[field.orderNumber]\n[field.orderDate]\n[field.gtin13]\n[field.orderQuantity]\n[field.price]",
    );
    // 952 is GS1's prefix for demonstrations (gs1.org, list of company prefixes).
    let read = orders_by(&by_gtin, b"orderNumber,orderDate,gtin13,orderQuantity,price\n1,2026-05-01,9521234543213,1,5\n2,2026-05-01,9521234543214,1,5\n", false).unwrap();
    assert_eq!(read[0].as_ref().unwrap().value.lines[0].code.as_ref().unwrap().as_str(), "9521234543213");
    assert!(told(&read)[1].contains("check digit should be 3"));
}
