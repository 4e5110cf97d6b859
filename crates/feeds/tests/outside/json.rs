//! Orders as JSON documents and JSON Lines.

use crate::{layout, orders_by, told};
use domain::money::Money;
use domain::order::{LinePrice, OrderStatus};
use feeds::{Feed, FeedError, Format, Layout};

const NESTED: &str = r#"
feed = "orders"
format = "json"
each = "/data/orders"
lines = "/items"
ignore = ["note"]
[field.orderNumber]
from = "/ref"
[field.orderDate]
from = "/placed"
[field.sku]
from = "/code"
[field.orderQuantity]
from = "/count"
[field.price]
from = "/each/amount"
[field.discount]
from = "/off"
[field.shipping]
from = "/post"
[field.tax]
from = "/tax"
"#;

fn nested(orders: &str) -> String {
    format!(
        "{{\"page\": [1, {{\"x\": \"]}}\"}}], \"data\": {{\"n\": 2, \"orders\": [\n{orders}\n], \"more\": null}}}}"
    )
}

#[test]
fn an_order_with_its_lines() {
    let file = nested(
        r#"{"ref": 7, "placed": "2026-05-01T10:00:00Z", "off": "3.00", "post": 4.50, "tax": "1.00", "note": {"a": [1]},
  "items": [{"code": "A", "count": 1, "each": {"amount": 10.10}},
            {"code": "B", "count": "2", "each": {"amount": "20.00"}, "off": 0.50}]},
 {"ref": "8", "placed": "2026-05-01", "items": [{"code": "C", "count": -1}]}"#,
    );
    let read = orders_by(&layout(NESTED), file.as_bytes(), false).unwrap();
    let seven = read[0].as_ref().unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(seven.line, 2);
    let order = &seven.value;
    assert_eq!([order.discount, order.shipping].map(Money::minor), [300, 450]);
    // The record's tax is divided over the lines in proportion to their amounts: 10.10 and 40.00.
    let lines: Vec<_> = order.lines.iter().map(|l| (l.discount.minor(), l.tax.minor())).collect();
    assert_eq!(lines, [(0, 20), (50, 80)]);
    // 10.10 keeps the digits as written.
    assert!(matches!(order.lines[0].price, LinePrice::Each(m) if m.minor() == 1010));
    assert!(read[1].as_ref().unwrap().value.refunds[0].number.as_str().starts_with("row:"));
}

#[test]
fn a_null_status_is_none_and_a_refund_keeps_its_number_while_its_order_changes() {
    let by = format!(
        "{NESTED}[field.orderStatus]\nfrom = \"/is/state\"\nwords = {{ paid = \"OrderProcessing\" }}\n\
         [field.dateModified]\nfrom = \"/is/changed\"\n"
    );
    let by = by.replace("ignore = [\"note\"]", "ignore = [\"note\", \"/is/lane\"]");
    let read = |is: &str| {
        let order = format!(
            r#"{{"ref": "8", "placed": "2026-05-01", "is": {is},
              "items": [{{"code": "C", "count": -1, "each": {{"amount": 4}}, "is": {is}}}]}}"#
        );
        let read = orders_by(&layout(&by), nested(&order).as_bytes(), false).unwrap();
        let order = read.into_iter().next().unwrap().unwrap_or_else(|e| panic!("{e}")).value;
        (order.status, order.refunds[0].number.to_string())
    };
    let (none, number) = read(r#"{"state": null, "lane": 7}"#);
    assert_eq!(none, OrderStatus::OrderProcessing, "left out");
    let check = |is: &str, status: OrderStatus| assert_eq!(read(is), (status, number.clone()), "{is}");
    check(r#"{"state": "paid", "changed": "2026-05-02T10:00:00Z", "lane": 7}"#, OrderStatus::OrderProcessing);
    check(r#"{"state": "gone fishing", "lane": 7}"#, OrderStatus::Unknown);
    check(r#"{"state": "OrderCancelled", "lane": 7}"#, OrderStatus::OrderCancelled);
    assert_ne!(read(r#"{"state": null, "lane": 8}"#).1, number, "the rest tells one from another");
}

#[test]
fn records_are_refused_one_by_one() {
    let check = |orders: &str, expected: &[&str]| {
        let read = orders_by(&layout(NESTED), nested(orders).as_bytes(), false).unwrap();
        let told = told(&read);
        assert_eq!(told.len(), expected.len(), "{told:#?}");
        for (told, expected) in told.iter().zip(expected) {
            assert!(told.contains(expected), "{told}\ndoes not say {expected}");
        }
    };
    let good =
        r#"{"ref": 1, "placed": "2026-05-01", "items": [{"code": "A", "count": 1, "each": {"amount": 1}}]}"#;
    for (bad, expected) in [
        ("3", "a record must be a JSON object"),
        (r#"{"ref": 2, "ref": 3}"#, "“ref” twice"),
        (r#"{"ref": 2, "colour": 3}"#, "“/colour”, which is not known"),
        (r#"{"ref": [2]}"#, "orderNumber (“/ref”): this must be a text or a number"),
        (r#"{"ref": 2, "items": []}"#, "the order has no lines"),
        (r#"{"ref": 2, "items": [{"code": "A", "size": 1}]}"#, "“/size”"),
        (r#"{"ref": 2, "items": [{"each": {"tax": 1}}]}"#, "“/each/tax”"),
        (
            r#"{"placed": "2026-05-01", "items": [{"code": "A"}]}"#,
            "orderNumber (“/ref”): this may not be empty",
        ),
        (
            r#"{"ref": 2, "items": [{"code": "A", "count": 1e0, "each": {"amount": 1}}]}"#,
            "“1e0” is not a quantity",
        ),
        (r#"{"ref": 2 "items": 3}"#, "this is not JSON"),
        (
            r#"{"ref": 2, "items": [{"code": "A", "count": 1, "each": {"amount": 1}}]}"#,
            "orderDate (“/placed”): this may not be empty",
        ),
    ] {
        check(&format!("{good},\n{bad},\n{good}"), &["1", expected, "1"]);
    }
}

#[test]
fn a_document_cut_off_says_so_and_keeps_what_came_before() {
    let file = nested(
        r#"{"ref": 1, "placed": "2026-05-01", "items": [{"code": "A", "count": 1, "each": {"amount": 1}}]}, {"ref": 2, "pla"#,
    );
    let cut = &file[..file.find("pla\n").unwrap()];
    let read = orders_by(&layout(NESTED), cut.as_bytes(), false).unwrap();
    assert_eq!(told(&read)[0], "1");
    let reject = read[1].as_ref().unwrap_err();
    assert!(reject.ends_file() && reject.rows().is_empty());
    assert!(reject.to_string().contains("the document ends in the middle"), "{reject}");
    // A cut after the orders is noticed too.
    let whole = nested(
        r#"{"ref": 1, "placed": "2026-05-01", "items": [{"code": "A", "count": 1, "each": {"amount": 1}}]}"#,
    );
    let read = orders_by(&layout(NESTED), &whole.as_bytes()[..whole.len() - 1], false).unwrap();
    assert!(read[1].as_ref().is_err_and(feeds::Reject::ends_file));
}

#[test]
fn the_place_of_the_records_must_be_there() {
    let check = |file: &str, expected: &str| {
        let error = orders_by(&layout(NESTED), file.as_bytes(), false).expect_err(file);
        assert!(error.to_string().contains(expected), "{file}: {error}");
    };
    check("{\"data\": {\"orders\": 3}}", "no list at “/data/orders”");
    check("{\"data\": []}", "no list at");
    check("{}", "no list at");
    check("[", "no list at");
    check("{", "not JSON");
    check("", "not JSON");
    check("{\"data\" 1}", "a colon is missing");
    let utf16 = orders_by(&layout(NESTED), b"\xff\xfe{\0", false);
    assert!(matches!(utf16, Err(FeedError::NotJson { .. })));
}

/// jsonlines.org: one value per line; a broken line does not affect others, and a blank one is ignored.
#[test]
fn json_lines() {
    let own = Layout::built_in(Feed::Orders, Format::JsonLines);
    let line = |number: u8, sku: &str| {
        format!(
            "{{\"orderNumber\":\"{number}\",\"orderDate\":\"2026-05-01\",\"sku\":\"{sku}\",\"orderQuantity\":1,\"price\":\"5.00\",\"customer\":{{\"name\":\"Ann\"}}}}"
        )
    };
    let lines = [
        line(1, "A"),
        line(1, "B"),
        "{\"orderNumber\":".to_owned(),
        line(2, "C"),
        String::new(),
        line(3, "D"),
        line(4, "E"),
    ];
    let read = orders_by(&own, lines.join("\r\n").as_bytes(), false).unwrap();
    let told = told(&read);
    // A broken line may belong to its neighbor, a blank one belongs to nothing.
    let expected = ["line 3, order 1: this is not JSON", "line 4, order 2: line 3, next to", "3", "4"];
    assert_eq!(told.len(), expected.len(), "{told:#?}");
    for (told, expected) in told.iter().zip(expected) {
        assert!(told.starts_with(expected), "{told}");
    }
    let clean = [line(1, "A"), line(1, "B"), line(2, "C")].join("\n");
    let read = orders_by(&own, clean.as_bytes(), false).unwrap();
    assert_eq!(read[0].as_ref().unwrap().value.lines.len(), 2);
    assert_eq!(read[0].as_ref().unwrap().value.customer.name, "Ann");
}
