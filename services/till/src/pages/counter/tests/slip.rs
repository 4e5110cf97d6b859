//! What is put on a slip: scans, words, weights, discounts, and what was sold meanwhile.

use super::{open, post, sell_online, slip};
use crate::testing::TestShop;

#[tokio::test]
async fn three_scans_cash_and_done_ring_up_a_sale() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL", "HAT", "SPINDLE"]).await;
    page.shows(&[
        "Moor cowl",
        "$48.00",
        "6.35 oz at $7.50 an ounce",
        "Moor cowl, small",
        "$42.00",
        "Drop spindle",
        "$18.00",
        "Total",
        "$108.00",
    ]);
    assert!(!page.has("<h1>Take payment</h1>"), "no money before the hold");
    let path = page.path.clone();
    let revision = page.field(&format!("action=\"{path}/pay\""), "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "cash")]).await;
    paying.shows(&["<h1>Take payment</h1>", "$108.00", "All items are held for this sale until 12:10 PM"]);
    paying.shows(&["value=\"110.00\"", "value=\"120.00\"", "value=\"150.00\"", "value=\"200.00\""]);
    let due = paying.field("/tender", "due");
    let sold = paying
        .send(&format!("{path}/tender"), &[("by", "cash"), ("then", "cash"), ("due", &due), ("amount", "")])
        .await;
    sold.shows(&["Sale complete", "Receipt 1", "Total", "$108.00", "Cash", "$108.00"]);
    let item = shop.get("/api/items/COWL").await.json();
    assert_eq!(item["onHand"], "0", "{item}");
    // The slip's own address leads to the receipt from now on; so does another press, which says so.
    let reply = shop.get(&path).await;
    assert_eq!(reply.status, 303);
    let again = post(
        &shop,
        &format!("{path}/tender"),
        &[("_seal", &paying.field("/tender", "_seal")), ("by", "cash"), ("due", &due)],
    )
    .await;
    let receipt = format!("{}?just=paid-before", reply.header("location").expect("a receipt"));
    assert_eq!((again.status, again.header("location")), (303, Some(receipt.as_str())));
    assert_eq!(shop.ledger().sales(None, 10).await.expect("sales").len(), 1);
}

#[tokio::test]
async fn a_form_that_is_sent_twice_lays_one_thing_down() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let action = format!("{}/scan", page.path);
    let token = page.field(&format!("action=\"{action}\""), "_seal");
    for _ in 0..3 {
        let reply = post(&shop, &action, &[("_seal", &token), ("_key", "one"), ("code", "SPINDLE")]).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
    }
    open(&shop, &page.path).await.shows(&["2 at $18.00", "$36.00"]);
    // A first scan that is sent again finds the slip that it started.
    let fields = [("_seal", token.as_str()), ("_key", "first"), ("code", "SPINDLE")];
    let first = post(&shop, "/counter/scan", &fields).await;
    let again = post(&shop, "/counter/scan", &fields).await;
    assert_eq!(first.header("location"), again.header("location"));
    assert_eq!(shop.ledger().open_baskets(10).await.expect("slips").len(), 2);
}

#[tokio::test]
async fn a_script_gets_the_slip_alone() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let token = page.field("action", "_seal");
    let reply =
        post(&shop, &format!("{}/scan", page.path), &[("_seal", &token), ("code", "COWL"), ("part", "slip")])
            .await;
    assert_eq!(reply.status, 200);
    let text = reply.text();
    assert!(
        text.contains("id=\"place\"")
            && text.contains("<section class=\"slip\"")
            && text.contains("$66.00")
            && !text.contains("<html"),
        "{text}"
    );
    let wrong =
        post(&shop, &format!("{}/scan", page.path), &[("_seal", &token), ("code", "COWL"), ("part", "slip")])
            .await;
    assert_eq!(wrong.status, 422);
    assert!(
        wrong.text().contains("is already in this sale") && wrong.text().contains("$66.00"),
        "{}",
        wrong.text()
    );
    let words = post(
        &shop,
        &format!("{}/scan", page.path),
        &[("_seal", &token), ("code", "grey rov"), ("part", "slip")],
    )
    .await;
    assert_eq!(
        (words.status, words.header("location")),
        (303, Some(format!("{}?find=grey+rov", page.path).as_str()))
    );
}

#[tokio::test]
async fn words_find_tags_and_codes_say_what_is_wrong() {
    let shop = TestShop::open().await;
    let page = open(&shop, "/counter").await;
    page.shows(&["Newest items", "Grey roving", "Drop spindle"]);
    let found = page.send("/counter/scan", &[("code", "COWL small")]).await;
    found.shows(&["Results for “COWL small”", "Moor cowl, small"]);
    assert!(!found.has("Drop spindle"));
    let nothing = page.send("/counter/scan", &[("code", "unicorn")]).await;
    nothing.shows(&["No item for sale matches"]);
    let wrong = page.refused("/counter/scan", &[("code", "2000000000011")]).await;
    wrong.shows(&["value=\"2000000000011\"", "has a wrong digit"]);
    let unknown = page.refused("/counter/scan", &[("code", "12345")]).await;
    unknown.shows(&["12345"]);
}

#[tokio::test]
async fn goods_by_weight_are_asked_for_their_weight() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let scan = format!("{}/scan", page.path);
    let asked = page.asked(&scan, "ROVING").await;
    asked.shows(&["Grey roving is sold by weight at $2.25 an ounce"]);
    assert!(!asked.has("role=\"alert\""));
    let wrong = asked.refused(&scan, &[("code", "ROVING"), ("quantity", "two")]).await;
    wrong.shows(&["“two” is not a quantity", "Grey roving is sold by weight"]);
    let laid = wrong.send(&scan, &[("code", "ROVING"), ("quantity", "2.5")]).await;
    laid.shows(&["Grey roving", "$5.63", "2.5 oz at $2.25 an ounce", "$23.63"]);
    let line = format!("{}/line", page.path);
    let revision = laid.field(&format!("action=\"{line}\""), "revision");
    let fields = [("revision", revision.as_str()), ("line", "2"), ("quantity", "4"), ("do", "change")];
    laid.send(&line, &fields).await.shows(&["Grey roving", "$9.00"]);
}

#[tokio::test]
async fn discounts_have_a_reason_and_a_stale_slip_is_shown_again() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL", "SPINDLE"]).await;
    let line = format!("{}/line", page.path);
    let revision = page.field(&format!("action=\"{line}\""), "revision");
    let of = |more: &[(&'static str, &'static str)]| [&[("revision", "")], more].concat();
    let without = of(&[("line", "1"), ("off", "10 %"), ("do", "change")]);
    page.refused(&line, &without).await.shows(&["Reason", "may not be empty"]);
    let card = of(&[("line", "1"), ("off", "10 %"), ("reason", "4000 0000 0000 0002"), ("do", "change")]);
    page.refused(&line, &card).await.shows(&["card"]);
    let fields = [
        ("revision", revision.as_str()),
        ("line", "1"),
        ("off", "10 %"),
        ("reason", "a pulled thread"),
        ("do", "change"),
    ];
    let off = page.send(&line, &fields).await;
    off.shows(&["$48.00", "10% discount: a pulled thread", "-$4.80", "$61.20"]);
    page.refused(&line, &fields).await.shows(&["was changed somewhere else"]);
    let revision = off.field(&format!("action=\"{line}\""), "revision");
    let whole = off
        .send(&line, &[("revision", &revision), ("off", "1.20"), ("reason", "friend"), ("do", "whole")])
        .await;
    whole.shows(&["$1.20 discount on the sale: friend", "$60.00"]);
    let revision = whole.field(&format!("action=\"{line}\""), "revision");
    let removed = whole.send(&line, &[("revision", &revision), ("line", "1"), ("do", "remove")]).await;
    assert!(!removed.has("6.35 oz at"), "{}", removed.page);
}

#[tokio::test]
async fn what_sold_online_meanwhile_is_struck_out_and_not_charged() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL", "SPINDLE"]).await;
    let pay = format!("{}/pay", page.path);
    let revision = page.field(&format!("action=\"{pay}\""), "revision");
    sell_online(&shop, "COWL", 4800).await;
    shop.advance_millis(12_000);
    // Pressed before the page knew: nothing is held, and the page says who has it.
    let refused = page.refused(&pay, &[("revision", &revision), ("by", "cash")]).await;
    refused.shows(&["Moor cowl: Sold online 12 seconds ago, receipt 1. Not charged.", "Total", "$18.00"]);
    let fields = [("revision", revision.as_str()), ("by", "cash"), ("without", "1")];
    assert_eq!(refused.field(&format!("action=\"{pay}\""), "without"), "1");
    refused.send(&pay, &fields).await.shows(&["<h1>Take payment</h1>", "Drop spindle", "$18.00"]);
}

#[tokio::test]
async fn the_way_to_a_price_arrives_at_it() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL"]).await;
    let way = "6.35 oz at $7.50 an ounce = $47.63, priced at $48.00";
    page.shows(&["$48.00", way]);
    let revision = page.field("/pay", "revision");
    let to = format!("{}/pay", page.path);
    page.send(&to, &[("revision", &revision), ("by", "cash")]).await.shows(&[way]);
}

#[tokio::test]
async fn a_discount_above_its_price_is_refused_beside_its_field() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let line = format!("{}/line", page.path);
    let of = |off: &'static str, what: &'static str| {
        vec![("line", "1"), ("off", off), ("reason", "a flaw"), ("do", what)]
    };
    for what in ["change", "whole"] {
        let refused = page.refused(&line, &of("18.01", what)).await;
        refused.shows(&[
            "<details class=\"more\" open>",
            "value=\"18.01\"",
            "value=\"a flaw\"",
            "id=\"fault-off\"",
        ]);
        refused.shows(&["The discount of $18.01 is more than the price of $18.00"]);
    }
    page.send(&line, &of("18.00", "change")).await.shows(&["Total", "$0.00"]);
}

#[tokio::test]
async fn a_wrong_quantity_or_a_missing_reason_stands_beside_its_field() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let line = format!("{}/line", page.path);
    let of = |quantity: &'static str, off: &'static str, reason: &'static str, what: &'static str| {
        vec![("line", "1"), ("quantity", quantity), ("off", off), ("reason", reason), ("do", what)]
    };
    let refused = page.refused(&line, &of("nine", "", "", "change")).await;
    refused.shows(&[
        "<details class=\"more\" open>",
        "name=\"quantity\" value=\"nine\"",
        "aria-invalid=\"true\" aria-describedby=\"fault-quantity\"",
        "id=\"fault-quantity\"",
    ]);
    for what in ["change", "whole"] {
        let refused = page.refused(&line, &of("1", "10 %", "", what)).await;
        refused.shows(&[
            "<details class=\"more\" open>",
            "value=\"10 %\"",
            "name=\"reason\" value=\"\" autocomplete=\"off\" aria-invalid=\"true\" aria-describedby=\"fault-reason\"",
            "id=\"fault-reason\"",
        ]);
    }
    let kept = page.send(&line, &of("99", "", "", "change")).await;
    kept.shows(&["99 requested, 10 available. Not charged."]);
    let hold = format!("{}/hold", page.path);
    let revision = kept.field(&format!("action=\"{hold}\""), "revision");
    let fields = [("revision", revision.as_str()), ("forWhom", "Ash"), ("until", "2026-05-01")];
    kept.refused(&hold, &fields).await.shows(&[
        "<details class=\"more\" open><summary>Discount, hold",
        "value=\"Ash\"",
        "value=\"2026-05-01\" aria-invalid=\"true\" aria-describedby=\"fault-until\"",
        "id=\"fault-until\"",
    ]);
}

#[tokio::test]
async fn a_form_that_was_sent_with_other_values_is_not_called_a_key() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let scan = format!("{}/scan", page.path);
    let token = page.field(&format!("action=\"{scan}\""), "_seal");
    let fields = |code| vec![("_seal", token.as_str()), ("_key", "one"), ("code", code)];
    assert_eq!(post(&shop, &scan, &fields("HAT")).await.status, 303);
    let other = post(&shop, &scan, &fields("COWL")).await;
    let words = "This form was sent before with other values. Reload the page and fill it in again.";
    assert!(other.status == 422 && other.text().contains(words), "{}", other.text());
}
