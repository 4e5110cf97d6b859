//! Importing orders.

use crate::shop::TestShop;
use domain::codes::Code;
use domain::weight::WeightUnit;
use ledger::books::{BooksBy, BooksQuery};
use std::fmt::Write;
use sync::exchange::{OrdersRun, feed_in};

const HEAD: &str = "orderNumber,orderDate,sku,orderQuantity,price,orderStatus,dateModified,refundNumber\n";

fn file(rows: &[&str]) -> String {
    format!("{HEAD}{}\n", rows.join("\n"))
}

async fn gross(shop: &TestShop) -> String {
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    let rows = shop.ledger.books(&query).await.unwrap();
    rows.first().map_or_else(|| "nothing".to_owned(), |row| row.figures.gross.to_string())
}

#[tokio::test]
async fn orders_are_taken_once_however_often_they_are_fed() {
    let shop = TestShop::stocked().await;
    let text =
        file(&["1,2026-06-14,B1,1,48.00,,,", "1,2026-06-14,KIT,2,35.00,,,", "2,2026-06-14,C1,1,60.00,,,"]);
    let first = shop.orders("orders.csv", &text).await.unwrap();
    let words = "2 orders taken, 0 known, 0 changed, 0 refused; 3 lines filled, 0 short; 0 refunds";
    assert_eq!(first.to_string(), words);
    assert_eq!(first.rejects_file, None);
    let second = shop.orders("again.csv", &text).await.unwrap();
    let words = "0 orders taken, 2 known, 0 changed, 0 refused; 0 lines filled, 0 short; 0 refunds";
    assert_eq!(second.to_string(), words);
    assert_eq!((shop.stock("B1").await, shop.stock("KIT").await), ("0 0".to_owned(), "1 0".to_owned()));
    assert_eq!(gross(&shop).await, "178.00");
}

#[tokio::test]
async fn a_dry_run_tells_the_same_and_changes_nothing() {
    let shop = TestShop::stocked().await;
    shop.sell("C1").await;
    let before = gross(&shop).await;
    let text =
        file(&["1,2026-06-14,B1,1,48.00,,,", "2,2026-06-14,C1,1,60.00,,,", "3,2026-06-14,NONE,1,5.00,,,"]);
    let dry = shop.orders_as("orders.csv", &text, false, true).await.unwrap();
    assert_eq!((shop.stock("B1").await, gross(&shop).await), ("1 0".to_owned(), before));
    assert!(!shop.path("orders.rejects.csv").exists(), "a dry run writes nothing");
    let wet = shop.orders("orders.csv", &text).await.unwrap();
    assert_eq!(dry.to_string(), wet.to_string());
    let words = "2 orders taken, 0 known, 0 changed, 1 refused; 1 lines filled, 1 short; 0 refunds";
    assert_eq!(wet.to_string(), words);
    assert_eq!(dry.refused, wet.refused);
}

#[tokio::test]
async fn rejects_are_mended_and_fed_again() {
    let shop = TestShop::stocked().await;
    // Written by a spreadsheet: a byte order mark, semicolons, CRLF.
    let text =
        file(&["1,2026-06-14,B1,1,48.00,,,", "2,2026-06-14,C9,1,60.00,,,", "2,2026-06-14,C2,1,64.00,,,"]);
    let text = format!("\u{feff}{}", text.replace(',', ";").replace('\n', "\r\n"));
    let report = shop.orders("orders.csv", &text).await.unwrap();
    assert_eq!((report.taken, report.rejected), (1, 1));
    assert_eq!(report.rejects_file, Some(shop.path("orders.rejects.csv")));
    let told = &report.refused[0];
    assert!(
        told.line == 3 && told.reason.contains("order 2") && told.reason.contains("C9"),
        "{}",
        told.reason
    );
    assert_eq!(shop.stock("C2").await, "1 0", "an order is rejected whole");

    let rejects = shop.read("orders.rejects.csv");
    assert!(rejects.starts_with("\u{feff}orderNumber;"), "{rejects}");
    assert!(
        rejects.contains("2;2026-06-14;C2;1;64.00;;;;") && rejects.contains("reject.reason\r\n"),
        "{rejects}"
    );
    let mended = shop.orders("orders.rejects.csv", &rejects.replace("C9", "C1")).await.unwrap();
    assert_eq!((mended.taken, mended.rejected, mended.filled), (1, 0, 2), "{mended:?}");
    assert!(!shop.path("orders.rejects.rejects.csv").exists());
}

#[tokio::test]
async fn each_bad_order_is_rejected_whole_and_told() {
    let shop = TestShop::stocked().await;
    let zone = ledger::keeping::SetShop {
        key: "zone".to_owned(),
        value: "America/New_York".to_owned(),
        who: "owner".to_owned(),
    };
    shop.ledger.execute(None, &zone).await.unwrap();
    shop.orders("first.csv", &file(&["1,2026-06-14,KIT,1,35.00,,,"])).await.unwrap();
    let check = async |rows: &[&str], rejected: u64, expected: &str| {
        let report = shop.orders("bad.csv", &file(rows)).await.unwrap();
        assert_eq!((report.taken, report.rejected), (0, rejected), "{rows:?}: {report:?}");
        let told: Vec<&str> = report.refused.iter().map(|r| r.reason.as_str()).collect();
        assert!(told.iter().any(|t| t.contains(expected)), "{rows:?}: {told:?}");
        assert_eq!(shop.stock("B1").await, "1 0", "{rows:?}");
    };
    let far = "x".repeat(feeds::MAX_ROW_BYTES);
    let huge = format!("9,2026-06-14,{far},1,48.00,,,");
    check(&["9,2026-06-14,2000000000014,1,48.00,,,"], 1, "wrong digit").await;
    check(&["9,2026-06-14,B1,1,-48.00,,,"], 1, "price").await;
    check(&["9,2026-06-14,B1,1,48.00 EUR,,,"], 1, "price").await;
    check(&["9,2026-06-14,B1,1,0,,,"], 1, "the price is 0").await;
    check(&["9,2026-06-14,B1,0,48.00,,,"], 1, "the quantity is 0").await;
    check(&["9,2026-06-14,B1,1"], 1, "the row has 4 fields").await;
    check(&["9,2026-06-14,B\u{0}1,1,48.00,,,"], 1, "NUL").await;
    check(&[&huge], 1, "longer than").await;
    // New York's clocks went from 01:59 to 03:00 on 8 March 2026 (IANA time zone database).
    check(&["9,2026-03-08T02:30,B1,1,48.00,,,"], 1, "orderDate").await;
    check(&["9,2026-06-20,B1,1,48.00,,,"], 1, "orderDate").await;
    check(&["1,2026-06-14,KIT,2,35.00,,,"], 1, "imported before with different contents").await;
    check(
        &["8,2026-06-14,B1,1,48,,,", "1,2026-06-14,KIT,1,35.00,,,", "8,2026-06-14,C1,1,60,,,"],
        2,
        "several places",
    )
    .await;
    check(&["1,2026-06-14,KIT,-2,35.00,,,R1"], 1, "you asked to refund").await;
    check(&["7,2026-06-14,KIT,-1,35.00,,,R1"], 1, "order 7 was never imported").await;
    // An unknown status is not the order's fault: its piece is put on hold until somebody decides.
    let report = shop.orders("own.csv", &file(&["9,2026-06-14,B1,1,48.00,Paid,,"])).await.unwrap();
    assert_eq!((report.taken, report.rejected), (1, 0), "{report:?}");
    assert_eq!(shop.stock("B1").await, "1 1", "on hold, not sold");
    let words = report.to_string();
    assert!(words.contains("0 lines filled, 1 on hold, 0 short"), "{words}");
    assert!(words.contains("1 order with an unknown status"), "{words}");
}

#[tokio::test]
async fn a_piece_sold_a_second_ago_falls_short() {
    let shop = TestShop::stocked().await;
    shop.sell("B1").await;
    let report = shop.orders("orders.csv", &file(&["1,2026-06-14,B1,1,48.00,,,"])).await.unwrap();
    assert_eq!((report.taken, report.filled, report.short, report.rejected), (1, 0, 1, 0));
    assert_eq!(gross(&shop).await, "48.00", "sold once");
}

#[tokio::test]
async fn a_refund_comes_with_a_later_file() {
    let shop = TestShop::stocked().await;
    shop.orders("a.csv", &file(&["1,2026-06-14,KIT,2,35.00,,,"])).await.unwrap();
    let back = file(&["1,2026-06-14,KIT,-1,35.00,,,R1"]);
    assert_eq!(shop.orders("b.csv", &back).await.unwrap().refunds, 1);
    assert_eq!(shop.orders("b.csv", &back).await.unwrap().refunds, 0, "said once, done once");
}

/// Money refunded for a flaw: the buyer keeps the goods, so the row has no quantity and a negative
/// price.
#[tokio::test]
async fn money_given_back_without_goods_comes_with_a_later_file() {
    let shop = TestShop::stocked().await;
    shop.orders("a.csv", &file(&["1,2026-06-14,KIT,2,35.00,,,", "1,2026-06-14,B1,1,48.00,,,"]))
        .await
        .unwrap();
    let refunds = async |row: &str| {
        let report = shop.orders("b.csv", &file(&[row])).await.unwrap();
        let reasons: Vec<String> = report.refused.into_iter().map(|r| r.reason).collect();
        (report.refunds, reasons.join("; "))
    };
    let none = String::new();
    assert_eq!(refunds("1,2026-06-14,KIT,,-5.00,,,R1").await, (1, none.clone()));
    assert_eq!(refunds("1,2026-06-14,KIT,,-5.00,,,R1").await, (0, none.clone()), "once by its number");
    // For the whole order, and without a number of its own.
    assert_eq!(refunds("1,2026-06-14,,0,-3.00,,,").await, (1, none.clone()));
    assert_eq!(refunds("1,2026-06-14,,0,-3.00,OrderDelivered,,").await, (0, none.clone()), "once by its row");
    assert_eq!(refunds("1,2026-06-14,,0,-2.00,,,").await, (1, none), "another amount is another refund");
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    let books = shop.ledger.books(&query).await.unwrap().remove(0).figures;
    assert_eq!((books.refunds.to_string(), books.units), ("10.00".to_owned(), 3));
    assert_eq!(shop.stock("KIT").await, "1 0", "nothing came back");
    let (booked, reason) = refunds("1,2026-06-14,,,-108.01,,,R4").await;
    assert!(booked == 0 && reason.contains("only $108.00 can still be refunded"), "{reason}");
    let (booked, reason) = refunds("1,2026-06-14,,,5.00,,,R5").await;
    assert!(booked == 0 && reason.contains("orderQuantity"), "{reason}");
}

#[tokio::test]
async fn past_orders_touch_the_books_alone() {
    let shop = TestShop::open().await;
    let text = "orderNumber,orderDate,name,orderQuantity,price,channel\n1,2024-03-02,Grey hat,2,31.50,market\n2,2024-03-03,Bag,1,0,store\n";
    let report = shop.orders_as("past.csv", text, true, false).await.unwrap();
    assert_eq!((report.taken, report.filled), (2, 2));
    assert_eq!((gross(&shop).await, shop.count_items().await), ("63.00".to_owned(), 0));
}

/// The layout names the unit of goods by weight; goods by the piece are not affected.
#[tokio::test]
async fn a_unit_of_past_quantities_is_of_goods_by_weight_alone() {
    let shop = TestShop::stocked().await;
    let text = "feed = \"orders\"\n[field.orderNumber]\n[field.orderDate]\n[field.sku]\n[field.name]\n\
        [field.orderQuantity]\nunit = \"GRM\"\n[field.price]\n";
    let layout = sync::GivenLayout::parse(text).unwrap();
    let rows = "orderNumber,orderDate,sku,name,orderQuantity,price\n\
        1,2024-03-02,KIT,,2,35.00\n1,2024-03-02,ROV,,250,0.1058\n1,2024-03-02,,Old yarn,100,0.09\n";
    let given = shop.given("past.csv", rows);
    let watch = sync::Watch::new();
    let layout = Some(&layout);
    let run = OrdersRun { given: &given, layout, past: true, dry_run: false, who: "test", watch };
    let report = feed_in(&shop.ledger, &run).await.unwrap();
    assert_eq!((report.taken, report.filled), (1, 3), "{:?}", report.refused);
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    let books = shop.ledger.books(&query).await.unwrap().remove(0).figures;
    // Two kits, and each line by weight counts as one: 250 g and 100 g of something that is no item
    // here.
    assert_eq!((books.units, books.gross.to_string()), (4, "105.45".to_owned()));
    assert_eq!(books.weight, i128::from(WeightUnit::Gram.eighth_nanograms_per_thousandth()) * 350_000);
    assert_eq!(shop.stock("KIT").await, "3 0");
}

/// A piece appears in one file in many orders; how they are batched must not matter.
#[tokio::test]
async fn a_long_file_is_taken_in_batches() {
    let shop = TestShop::open().await;
    let orders: u32 = 12_000;
    let mut text = "orderNumber,orderDate,name,orderQuantity,price\n".to_owned();
    for n in 0..orders {
        let price = if n == 7_000 { "x" } else { "1.00" };
        writeln!(text, "N{n},2024-03-02,Card,1,{price}").unwrap();
    }
    let report = shop.orders_as("past.csv", &text, true, false).await.unwrap();
    assert_eq!((report.taken, report.rejected), (u64::from(orders) - 1, 1));
    assert_eq!(report.refused[0].line, 7_002);
    assert_eq!(gross(&shop).await, "11999.00");
}

#[tokio::test]
async fn json_rejects_go_out_as_lines_and_come_back() {
    let shop = TestShop::stocked().await;
    let text = r#"[{"orderNumber":"1","orderDate":"2026-06-14","sku":"B1","orderQuantity":"1","price":"48.00"},
        {"orderNumber":"2","orderDate":"2026-06-14","sku":"B9","orderQuantity":"1","price":"48.00"}]"#;
    let report = shop.orders("orders.json", text).await.unwrap();
    assert_eq!((report.taken, report.rejected), (1, 1), "{report:?}");
    let rejects = shop.read("orders.rejects.jsonl");
    let mended = shop.orders("orders.rejects.jsonl", &rejects.replace("B9", "B2")).await.unwrap();
    assert_eq!((mended.taken, mended.rejected), (1, 0), "{rejects}");
    assert!(shop.ledger.item(&Code::parse("B2").unwrap()).await.unwrap().on_hand.stock_units() == 0);
}

#[tokio::test]
async fn a_rejects_file_that_cannot_be_written_is_found_before_anything_is_taken() {
    let shop = TestShop::stocked().await;
    let given = shop.given("orders.csv", file(&["1,2026-06-14,B1,1,48.00,,,", "2,2026-06-14,C9,1,60.00,,,"]));
    // A missing folder instead of a write-protected one, because root may write everywhere.
    let nowhere = shop.path("no such folder");
    let given = sync::Given::put(&shop.path(given.name()), "orders.csv", Some(&nowhere)).unwrap();
    let error = shop.feed(&given).await.unwrap_err();
    assert!(matches!(error, sync::exchange::IntakeError::NoRejects { .. }), "{error}");
    assert!(error.to_string().contains("Nothing was taken"), "{error}");
    assert_eq!(shop.stock("B1").await, "1 0");
}

#[tokio::test]
async fn a_rejects_file_is_never_overwritten() {
    let shop = TestShop::stocked().await;
    let one = file(&["1,2026-06-14,C9,1,60.00,,,"]);
    let report = shop.orders("orders.csv", &one).await.unwrap();
    assert_eq!(report.rejects_file, Some(shop.path("orders.rejects.csv")));
    // The same file again has the same rejects.
    let report = shop.orders("orders.csv", &one).await.unwrap();
    assert_eq!(report.rejects_file, Some(shop.path("orders.rejects.csv")));
    let half_mended = shop.read("orders.rejects.csv").replace("60.00", "61.00");
    std::fs::write(shop.path("orders.rejects.csv"), &half_mended).unwrap();
    let report = shop.orders("orders.csv", &one).await.unwrap();
    assert_eq!(report.rejects_file, Some(shop.path("orders.rejects-2.csv")));
    let report = shop.orders("orders.csv", &file(&["3,2026-06-14,C8,1,60.00,,,"])).await.unwrap();
    assert_eq!(report.rejects_file, Some(shop.path("orders.rejects-3.csv")));
    assert_eq!(shop.read("orders.rejects.csv"), half_mended);
    assert!(shop.read("orders.rejects-2.csv").contains("60.00"));
    let hidden = std::fs::read_dir(shop.ground.folder.path()).unwrap();
    let hidden =
        hidden.filter(|e| e.as_ref().unwrap().file_name().to_string_lossy().ends_with(".part")).count();
    assert_eq!(hidden, 0);
}

#[tokio::test]
async fn an_order_with_too_many_lines_is_one_message() {
    let shop = TestShop::stocked().await;
    let mut rows: Vec<String> = (0..2000).map(|i| format!("1,2026-06-14,A{i},1,5,,,")).collect();
    rows.push("2,2026-06-14,B1,1,48.00,,,".to_owned());
    let rows: Vec<&str> = rows.iter().map(String::as_str).collect();
    let report = shop.orders("orders.csv", &file(&rows)).await.unwrap();
    assert_eq!((report.taken, report.rejected, report.refused.len()), (1, 1, 1), "{:#?}", report.refused);
    assert!(
        report.refused[0].reason.contains("split it into several orders"),
        "{}",
        report.refused[0].reason
    );
    assert_eq!(shop.read("orders.rejects.csv").lines().count(), 2001, "all of its rows can be mended");
}

#[tokio::test]
async fn empty_rows_reject_nothing() {
    let shop = TestShop::stocked().await;
    let text = file(&[
        "1,2026-06-14,B1,1,48.00,,,",
        ",,,,,,,",
        " , ,,,,,,",
        "",
        "1,2026-06-14,C1,1,60.00,,,",
        ",,,,,,,",
    ]);
    let report = shop.orders("orders.csv", &text).await.unwrap();
    assert_eq!((report.taken, report.rejected, report.filled), (1, 0, 2), "{:#?}", report.refused);
}

// 4242… passes the check of ISO/IEC 7812-1 and begins as cards do; common practice in tests, no source.
#[tokio::test]
async fn a_card_number_stands_in_no_report() {
    let shop = TestShop::stocked().await;
    let head = "orderNumber,orderDate,sku,orderQuantity,price,customer.name,discount\n";
    let text = format!(
        "{head}1,2026-06-14,B1,1,48.00,4000 0000 0000 0002,\n2,2026-06-14,C1,1,60.00,Ann,4000000000000002\n\
         3,4000-0000-0000-0002,C2,1,60.00,Ann,\n"
    );
    let report = shop.orders("orders.csv", &text).await.unwrap();
    assert_eq!(report.rejected, 3);
    let told = format!("{:?}", report.refused);
    assert!(told.contains("[card number removed]"), "{told}");
    assert!(!told.contains("4242"), "{told}");
}
