//! Receipts and refund slips on paper, as files and as drafts; past sales that are found again.

use super::{open, post, slip};
use crate::testing::TestShop;
use ledger::keeping::SetShop;

async fn with_texts() -> TestShop {
    let shop = TestShop::open().await;
    for (key, value) in [
        ("address", "1 Fold Lane\nHillside"),
        ("receipt_note", "Thank you & come again"),
        ("return_policy", "Unworn pieces within 30 days"),
    ] {
        let set = SetShop { key: key.to_owned(), value: value.to_owned(), who: "owner".to_owned() };
        shop.ledger().execute(None, &set).await.expect("set");
    }
    shop
}

/// The decoded body of the page's e-mail draft.
fn draft(page: &str) -> String {
    let link = page.split("href=\"mailto:?").nth(1).and_then(|rest| rest.split('"').next()).expect("a draft");
    let link = link.replace("&#38;", "&").replace("&amp;", "&");
    let parts = form_urlencoded::parse(link.as_bytes());
    parts.map(|(name, value)| format!("{name}={value}")).collect::<Vec<_>>().join("\n")
}

#[tokio::test]
async fn a_receipt_says_where_what_how_and_what_can_be_returned() {
    let shop = with_texts().await;
    let id = shop.sell("COWL", "a").await["id"].as_str().expect("an id").to_owned();
    let sale = open(&shop, &format!("/counter/sales/{id}")).await;
    let parts = [
        "1 Fold Lane<br>Hillside",
        "Receipt 1 ·",
        "Moor cowl",
        "6.35 oz × $7.50 an ounce = $47.63, rounded to $48.00 · COWL",
        "Total",
        "$48.00",
        "Cash",
        "Change due",
        "Thank you &#38; come again",
        "Unworn pieces within 30 days",
        "Barcode RCPT000001",
    ];
    sale.shows(&parts);
    for paper in ["", "?paper=roll", "?paper=page"] {
        let print = open(&shop, &format!("/counter/sales/{id}/print{paper}")).await;
        print.shows(&parts);
        let name = if paper == "?paper=page" { "receipt-page.css" } else { "receipt-roll.css" };
        assert!(print.has(name) && !print.has("action=\"/counter"), "{}", print.page);
    }
    assert_eq!(shop.get(&format!("/counter/sales/{id}/print?paper=wall")).await.status, 422);
    let draft = draft(&sale.page);
    for part in
        ["subject=Receipt 1 from Our farm", "Moor cowl: $48.00", "6.35 oz × $7.50", "Change due: $2.00"]
    {
        assert!(draft.contains(part), "{part} in {draft}");
    }
    let file = shop.get(&format!("/counter/sales/{id}/receipt.txt")).await;
    for part in ["1 Fold Lane\nHillside\n", "RCPT000001", "Unworn pieces within 30 days"] {
        assert!(file.text().contains(part), "{part} in {}", file.text());
    }
    assert!(file.text().lines().all(|line| line.chars().count() <= 42), "{}", file.text());
}

#[tokio::test]
async fn a_refund_has_a_slip_of_its_own() {
    let shop = with_texts().await;
    let id = shop.sell("COWL", "a").await["id"].as_str().expect("an id").to_owned();
    let action = format!("/counter/sales/{id}/refund");
    let fields = [("by", "cash"), ("reason", "too big"), ("do", "all")];
    let sale = open(&shop, &action).await.send(&action, &fields).await;
    let link = sale.page.split("href=\"/counter/refunds/").nth(1).and_then(|rest| rest.split('"').next());
    let path = format!("/counter/refunds/{}", link.expect("a link to the slip"));
    let slip = open(&shop, &path).await;
    slip.shows(&[
        "Refund slip",
        "1 Fold Lane",
        "Refund for receipt 1",
        "Moor cowl",
        "$48.00",
        "Refunded",
        "$48.00",
        "Cash",
        "too big",
        "Unworn pieces",
        "Barcode RCPT000001",
    ]);
    assert!(draft(&slip.page).contains("Refunded: $48.00"), "{}", slip.page);
    let file = shop.get(&format!("{path}/slip.txt")).await;
    assert_eq!(file.header("content-disposition"), Some("attachment; filename=\"refund-1.txt\""));
    assert!(file.text().contains("Refund for receipt 1"), "{}", file.text());
    assert_eq!(shop.get("/counter/refunds/7").await.status, 404);
}

#[tokio::test]
async fn a_scanned_receipt_opens_its_sale() {
    let shop = TestShop::open().await;
    let id = shop.sell("COWL", "a").await["id"].as_str().expect("an id").to_owned();
    let to = format!("/counter/sales/{id}");
    let counter = open(&shop, "/counter").await;
    counter.send("/counter/scan", &[("code", "RCPT000001")]).await.shows(&["Receipt 1"]);
    // A sale that is being rung up stays as it is.
    let ringing = slip(&shop, &["HAT"]).await;
    let seal = ringing.field("/scan", "_seal");
    let fields = [("_seal", seal.as_str()), ("code", "rcpt000001")];
    let reply = post(&shop, &format!("{}/scan", ringing.path), &fields).await;
    assert_eq!((reply.status, reply.header("location")), (303, Some(to.as_str())));
    open(&shop, &ringing.path).await.shows(&["Moor cowl, small"]);
    let unknown = [("_seal", seal.as_str()), ("code", "RCPT000009")];
    let reply = post(&shop, &format!("{}/scan", ringing.path), &unknown).await;
    assert!(reply.status == 422 && reply.text().contains("There is no receipt 9"), "{}", reply.text());
    let found = shop.get("/counter/sales?what=RCPT000001").await;
    assert_eq!((found.status, found.header("location")), (303, Some(to.as_str())));
}

#[tokio::test]
async fn past_sales_are_found_by_words_and_sum() {
    let shop = TestShop::open().await;
    shop.sell("SPINDLE", "a").await;
    shop.sell("COWL", "b").await;
    for (query, expected) in [
        ("what=moor", "Moor cowl"),
        ("what=SPINDLE", "Drop spindle"),
        ("total=48", "Moor cowl"),
        ("total=%2448.00&what=cowl", "Moor cowl"),
    ] {
        let list = open(&shop, &format!("/counter/sales?{query}")).await;
        list.shows(&[expected]);
        assert_eq!(list.page.matches("<th scope=\"row\">").count(), 1, "{query}");
    }
    for query in ["what=nobody", "total=47", "what=spindle&total=48"] {
        open(&shop, &format!("/counter/sales?{query}")).await.shows(&["No sales match"]);
    }
    let refused = shop.get("/counter/sales?total=much").await;
    assert!(refused.status == 422 && refused.text().contains("id=\"fault-total\""), "{}", refused.text());
}
