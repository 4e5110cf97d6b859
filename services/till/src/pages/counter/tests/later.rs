//! After the sale: refunds, voids, counting the drawer, a stream kept open.

use super::{open, sell_online, slip};
use crate::testing::TestShop;
use crate::traffic::watchers::{MAX_WATCHED_EACH, Watchers};
use axum::body::{Body, BodyDataStream, Bytes};
use futures_core::Stream;
use std::pin::Pin;

#[tokio::test]
async fn past_sales_are_found_shown_and_given_back() {
    let shop = TestShop::open().await;
    shop.sell("SPINDLE", "a").await;
    let cowl = shop.sell("COWL", "b").await;
    let id = cowl["id"].as_str().expect("an id");
    for (query, expected) in [
        ("what=2", "Moor cowl"),
        ("what=COWL", "Moor cowl"),
        ("what=1", "Drop spindle"),
        ("day=2026-05-17&what=SPINDLE", "Drop spindle"),
    ] {
        let list = open(&shop, &format!("/counter/sales?{query}")).await;
        list.shows(&[expected]);
        assert_eq!(list.page.matches("<th scope=\"row\">").count(), 1, "{query}");
    }
    open(&shop, "/counter/sales?day=2026-05-16").await.shows(&["No sales match"]);
    assert_eq!(shop.get("/counter/sales?day=May").await.status, 422);
    let sale = open(&shop, &format!("/counter/sales/{id}")).await;
    sale.shows(&["Receipt 2", "Moor cowl", "$48.00", "Change due", "$2.00"]);
    let file = shop.get(&format!("/counter/sales/{id}/receipt.txt")).await;
    assert_eq!(file.header("content-disposition"), Some("attachment; filename=\"receipt-2.txt\""));
    assert!(file.text().contains("Moor cowl") && file.text().contains("Change due"), "{}", file.text());
    let refund = open(&shop, &format!("/counter/sales/{id}/refund")).await;
    let action = format!("/counter/sales/{id}/refund");
    refund
        .refused(&action, &[("by", "cash"), ("reason", "too big"), ("do", "some")])
        .await
        .shows(&["at least one item"]);
    refund
        .refused(&action, &[("by", "cash"), ("do", "all")])
        .await
        .shows(&["Enter the reason for the refund."]);
    let line = cowl["lines"][0]["id"].as_str().expect("a line");
    let (quantity, fate) = (format!("refund.{line}"), format!("fate.{line}"));
    let fields = [
        (quantity.as_str(), "2"),
        (fate.as_str(), "shelf"),
        ("by", "cash"),
        ("reason", "too big"),
        ("do", "some"),
    ];
    refund.refused(&action, &fields).await.shows(&["you asked to refund 2, but only 1"]);
    let fields = [
        (quantity.as_str(), "1"),
        (fate.as_str(), "shelf"),
        ("by", "cash"),
        ("reason", "too big"),
        ("do", "some"),
    ];
    refund.send(&action, &fields).await.shows(&["Receipt 2", "Refunds"]);
    open(&shop, &format!("/counter/sales/{id}")).await.shows(&[
        "1 refunded",
        "$48.00 on",
        "too big",
        "$48.00 by cash",
    ]);
}

/// From the receipt: refund or exchange, exchange items, a scan, a way to pay, complete.
#[tokio::test]
async fn a_piece_is_exchanged_for_a_cheaper_one_and_the_rest_is_paid_back() {
    let shop = TestShop::open().await;
    let id = shop.sell("COWL", "a").await["id"].as_str().expect("an id").to_owned();
    let action = format!("/counter/sales/{id}/refund");
    let refund = open(&shop, &action).await;
    let line = shop.get(&format!("/api/sales/{id}")).await.json()["lines"][0]["id"]
        .as_str()
        .expect("a line")
        .to_owned();
    let (quantity, fate) = (format!("refund.{line}"), format!("fate.{line}"));
    assert_eq!(refund.field("<tbody>", &quantity), "1", "one thing was sold, and it was brought");
    let fields = [(quantity.as_str(), "1"), (fate.as_str(), "shelf"), ("reason", ""), ("do", "exchange")];
    let begun = refund.send(&action, &fields).await;
    begun.shows(&[
        "Exchange</h2>",
        "Moor cowl",
        "-$48.00",
        "Returned: 1",
        "Pay back",
        "$48.00",
        "Scan what the customer takes",
    ]);
    let taken = begun.send(&format!("{}/scan", begun.path), &[("code", "HAT")]).await;
    taken.shows(&["-$48.00", "Moor cowl, small", "$42.00", "Pay back", "$6.00"]);
    let revision = taken.field("/pay", "revision");
    let pay = format!("{}/pay", taken.path);
    let paying = taken.send(&pay, &[("revision", &revision), ("by", "cash")]).await;
    paying.shows(&["<h1>Pay back</h1>", "Pay back", "$6.00", "Complete exchange", "Gift certificate"]);
    assert!(!paying.has("name=\"amount\"") && !paying.has("On account"), "{}", paying.page);
    let due = paying.field("/tender", "due");
    let done = paying.send(&format!("{}/tender", taken.path), &[("by", "cash"), ("due", &due)]).await;
    done.shows(&[
        "Exchange complete",
        "Paid back: Cash",
        "$6.00",
        "Moor cowl, small",
        "Total",
        "$42.00",
        "Exchange",
        "$42.00",
        "Returned in exchange",
        "receipt 1",
        "Moor cowl",
        "-$48.00",
    ]);
    assert!(!done.has("Void sale"), "{}", done.page);
    let path = done.path.split('?').next().expect("a path");
    let file = shop.get(&format!("{path}/receipt.txt")).await;
    for part in ["Exchange", "Paid back: Cash", "Returned in exchange, receipt 1", "-$48.00"] {
        assert!(file.text().contains(part), "{part} in {}", file.text());
    }
    open(&shop, &format!("/counter/sales/{id}")).await.shows(&[
        "$42.00 in exchange, $6.00 by cash",
        "exchanged for",
        "receipt 2",
    ]);
    assert_eq!(shop.get("/api/items/COWL").await.json()["onHand"], "1");
}

#[tokio::test]
async fn a_piece_is_exchanged_for_a_dearer_one_and_the_rest_is_paid() {
    let shop = TestShop::open().await;
    let id = shop.sell("HAT", "a").await["id"].as_str().expect("an id").to_owned();
    let line = shop.get(&format!("/api/sales/{id}")).await.json()["lines"][0]["id"]
        .as_str()
        .expect("a line")
        .to_owned();
    let action = format!("/counter/sales/{id}/refund");
    let refund = open(&shop, &action).await;
    refund.refused(&action, &[("do", "exchange")]).await.shows(&["at least one item"]);
    let quantity = format!("refund.{line}");
    let begun = refund.send(&action, &[(&quantity, "1"), ("do", "exchange")]).await;
    let taken = begun.send(&format!("{}/scan", begun.path), &[("code", "COWL")]).await;
    taken.shows(&["Amount due", "$6.00"]);
    let revision = taken.field("/pay", "revision");
    let pay = format!("{}/pay", taken.path);
    let paying = taken.send(&pay, &[("revision", &revision), ("by", "card")]).await;
    paying.shows(&["<h1>Take payment</h1>", "-$42.00", "$48.00", "Amount due", "$6.00"]);
    let due = paying.field("/tender", "due");
    let tender = format!("{}/tender", taken.path);
    paying
        .refused(&tender, &[("by", "card"), ("due", &due), ("amount", "7.00")])
        .await
        .shows(&["Only $6.00 is left to pay"]);
    let done = paying.send(&tender, &[("by", "card"), ("due", &due), ("amount", "")]).await;
    done.shows(&["Exchange complete", "Total", "$48.00", "Exchange", "$42.00", "Card", "$6.00", "-$42.00"]);
}

#[tokio::test]
async fn a_sale_of_today_is_voided_with_a_reason() {
    let shop = TestShop::open().await;
    let id = shop.sell("COWL", "a").await["id"].as_str().expect("an id").to_owned();
    let action = format!("/counter/sales/{id}/void");
    let page = open(&shop, &format!("/counter/sales/{id}")).await;
    page.refused(&action, &[("reason", "")]).await.shows(&["Enter the reason"]);
    let voided = page.send(&action, &[("reason", "wrong hat")]).await;
    voided.shows(&["Voided by api on May 17, 2026, 12:00 PM: wrong hat"]);
    assert!(!voided.has("Void sale") && !voided.has("Refund or exchange"));
    open(&shop, "/counter/sales").await.shows(&["Voided by api on May 17, 2026, 12:00 PM: wrong hat"]);
    let file = shop.get(&format!("/counter/sales/{id}/receipt.txt")).await;
    assert!(file.text().contains("Voided by api on May 17, 2026, 12:00 PM:\nwrong hat\n"), "{}", file.text());
    page.refused(&action, &[("reason", "again")]).await.shows(&["cannot be voided"]);
    let other = shop.sell("HAT", "b").await["id"].as_str().expect("an id").to_owned();
    shop.next_day();
    assert!(!open(&shop, &format!("/counter/sales/{other}")).await.has("Void sale"));
}

#[tokio::test]
async fn a_drawer_is_counted_in_kept_and_counted_out() {
    let shop = TestShop::open().await;
    let page = open(&shop, "/counter/drawer").await;
    page.shows(&["Opening cash", "$100.00", "$0.01"]);
    page.refused("/counter/drawer", &[("channel", "store"), ("count.2000", "two")])
        .await
        .shows(&["The count of $20.00: “two” is not a whole number.", "value=\"two\""]);
    let kept =
        page.send("/counter/drawer", &[("channel", "store"), ("count.2000", "2"), ("count.25", "4")]).await;
    kept.shows(&["Opening cash", "$41.00", "Expected cash", "$41.00"]);
    shop.sell("SPINDLE", "a").await;
    let turn = shop.ledger().open_turns().await.expect("turns").remove(0).id;
    let cash = format!("/counter/drawer/{turn}/cash");
    kept.refused(&cash, &[("amount", "5.00"), ("reason", ""), ("do", "take-out")]).await.shows(&["Reason"]);
    kept.refused(&cash, &[("amount", "500.00"), ("reason", "bank"), ("do", "take-out")])
        .await
        .shows(&["The drawer should hold only $59.00"]);
    let out = kept.send(&cash, &[("amount", "9.00"), ("reason", "stamps"), ("do", "take-out")]).await;
    out.shows(&["Pay out: stamps", "-$9.00", "Sale", "$18.00", "Expected cash", "$50.00"]);
    let close = format!("/counter/drawer/{turn}/close");
    let ended =
        out.send(&close, &[("count.2000", "2"), ("count.500", "1"), ("note", "a coin rolled away")]).await;
    ended.shows(&[
        "Expected cash",
        "$50.00",
        "Counted cash",
        "$45.00",
        "$5.00 short",
        "a coin rolled away",
        "$20.00",
        "2",
    ]);
    open(&shop, "/counter/drawer").await.shows(&["Opening cash", "Past counts", "$5.00 short"]);
}

/// The next event of an open stream; none if it ended.
async fn heard(line: &mut BodyDataStream) -> Option<Bytes> {
    let next = std::future::poll_fn(|context| Pin::new(&mut *line).poll_next(context)).await;
    next.map(|said| said.expect("a word"))
}

#[tokio::test]
async fn a_line_says_at_once_that_a_piece_was_sold_elsewhere() {
    use tower::ServiceExt;
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL"]).await;
    let pulse = page.page.split("data-pulse=\"").nth(1).and_then(|p| p.split('"').next()).expect("a pulse");
    let path = format!("{}/events?seen={pulse}", page.path);
    let request = || {
        let request = axum::http::Request::builder().uri(path.as_str()).header("host", crate::testing::HOST);
        let request = request.header("authorization", shop.bearer()).extension(crate::testing::here());
        request.body(Body::empty()).expect("a request")
    };
    let listen =
        async || crate::edge::routes::router(shop.app.clone()).oneshot(request()).await.expect("never fails");
    let response = listen().await;
    assert_eq!(response.headers()["content-type"], "text/event-stream");
    let mut body = response.into_body().into_data_stream();
    let quiet = tokio::time::timeout(std::time::Duration::from_millis(900), heard(&mut body)).await;
    assert!(quiet.is_err(), "nothing has changed yet");
    sell_online(&shop, "COWL", 4800).await;
    let before = std::time::Instant::now();
    let said = heard(&mut body).await.expect("a word");
    assert!(before.elapsed() < std::time::Duration::from_millis(700), "{:?}", before.elapsed());
    assert!(said.starts_with(b"event: changed\n"), "{said:?}");
    shop.get(&format!("{}/slip", page.path))
        .await
        .text()
        .find("Sold online 0 seconds ago")
        .expect("who has it");
    // On shutdown, the program ends the stream; a stream above the limit is refused.
    let another = || Watchers::take(&shop.app.watchers, "api").expect("a place");
    let places: Vec<_> = (1..MAX_WATCHED_EACH).map(|_| another()).collect();
    assert_eq!(listen().await.status(), 503);
    shop.app.ending.send_replace(true);
    assert!(heard(&mut body).await.is_none());
    drop(places);
    assert_eq!(shop.get("/counter/7/events").await.status, 404);
}
