//! The counter's pages, by forms alone, as a browser without scripts sends them.

use crate::testing::{Reply, TestShop};
use axum::body::{Body, BodyDataStream, Bytes};
use axum::http::Method;
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::Day;
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use futures_core::Stream;
use ledger::{NewSale, SaleLineIn, TenderIn};
use std::pin::Pin;

/// A page, and what its forms bring along.
struct At<'a> {
    shop: &'a TestShop,
    path: String,
    page: String,
}

impl At<'_> {
    /// The value of the first field of a name, within what follows `after`.
    fn field(&self, after: &str, name: &str) -> String {
        let start = self.page.find(after).unwrap_or_else(|| panic!("no {after} in {}", self.page));
        let rest = &self.page[start..];
        let at = rest.find(&format!("name=\"{name}\"")).unwrap_or_else(|| panic!("no {name} behind {after}"));
        rest[at..].split("value=\"").nth(1).and_then(|v| v.split('"').next()).unwrap_or_default().to_owned()
    }

    fn has(&self, text: &str) -> bool {
        self.page.contains(text)
    }

    /// That the texts stand on the page, in this order.
    fn shows(&self, texts: &[&str]) {
        let mut rest = self.page.as_str();
        for text in texts {
            let at = rest.find(text).unwrap_or_else(|| panic!("no {text} (in its place) in {}", self.page));
            rest = &rest[at + text.len()..];
        }
    }
}

async fn post(shop: &TestShop, path: &str, fields: &[(&str, &str)]) -> Reply {
    let body: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
    let kind = [("content-type", "application/x-www-form-urlencoded")];
    shop.ask(Method::POST, path, &kind, Body::from(body)).await
}

async fn open<'a>(shop: &'a TestShop, path: &str) -> At<'a> {
    let reply = shop.get(path).await;
    assert_eq!(reply.status, 200, "{path}: {}", reply.text());
    At { shop, path: path.to_owned(), page: reply.text().to_owned() }
}

impl<'a> At<'a> {
    /// Sends a form of this page and follows it to where it goes.
    async fn send(&self, action: &str, fields: &[(&str, &str)]) -> At<'a> {
        let form = format!("action=\"{action}\"");
        let token = self.field(&form, "_token");
        let key = self.field(&form, "_key");
        let fields = [&[("_token", token.as_str()), ("_key", key.as_str())], fields].concat();
        let reply = post(self.shop, action, &fields).await;
        assert_eq!(reply.status, 303, "{action}: {}", reply.text());
        open(self.shop, reply.header("location").expect("where it goes")).await
    }

    /// Sends a form that must be refused; the page that says so.
    async fn refused(&self, action: &str, fields: &[(&str, &str)]) -> At<'a> {
        let form = format!("action=\"{action}\"");
        let token = self.field(&form, "_token");
        let fields = [&[("_token", token.as_str())], fields].concat();
        let reply = post(self.shop, action, &fields).await;
        assert_eq!(reply.status, 422, "{action}: {}", reply.text());
        At { shop: self.shop, path: action.to_owned(), page: reply.text().to_owned() }
    }

    /// Scans goods by weight: the page that asks for their weight.
    async fn asked(&self, action: &str, code: &str) -> At<'a> {
        let token = self.field(&format!("action=\"{action}\""), "_token");
        let reply = post(self.shop, action, &[("_token", &token), ("code", code)]).await;
        assert_eq!(reply.status, 200, "asking is no fault: {}", reply.text());
        At { shop: self.shop, path: action.to_owned(), page: reply.text().to_owned() }
    }
}

/// A new slip with these on it.
async fn slip<'a>(shop: &'a TestShop, codes: &[&str]) -> At<'a> {
    let mut page = open(shop, "/counter").await;
    for code in codes {
        let action = format!("{}/scan", page.path);
        page = page.send(&action, &[("code", code)]).await;
    }
    page
}

fn money(minor: i64) -> Money {
    Money::from_minor(minor, Currency::USD).expect("an amount")
}

/// One of it, sold online behind the counter's back.
async fn sell_online(shop: &TestShop, sku: &str, price: i64) {
    let code = domain::codes::Code::parse(sku).expect("a code");
    let (none, quantity) = (money(0), Asked::ONE);
    let sale = NewSale {
        channel: Channel::online(),
        lines: vec![SaleLineIn::Goods { code, quantity, discount: none, tax: none }],
        discount: none,
        shipping: none,
        tenders: vec![TenderIn::plain(TenderKind::Online, money(price))],
        hold: None,
        at: None,
        note: String::new(),
        who: String::new(),
    };
    shop.ledger().execute(None, &sale).await.expect("a sale");
}

#[tokio::test]
async fn three_scans_cash_and_done_ring_up_a_sale() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL", "HAT", "SPINDLE"]).await;
    page.shows(&[
        "Moor cowl",
        "48.00",
        "6.35 oz at 7.5 per oz",
        "Moor cowl, small",
        "42.00",
        "Drop spindle",
        "18.00",
        "To pay",
        "108.00",
    ]);
    assert!(!page.has("Take the money"), "no money before the hold");
    let path = page.path.clone();
    let revision = page.field(&format!("action=\"{path}/pay\""), "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "cash")]).await;
    paying.shows(&["Take the money", "108.00", "Every piece is held for this slip until 17 May 2026, 12:10"]);
    paying.shows(&["value=\"110.00\"", "value=\"120.00\"", "value=\"150.00\"", "value=\"200.00\""]);
    let due = paying.field("/tender", "due");
    let sold = paying
        .send(&format!("{path}/tender"), &[("by", "cash"), ("then", "cash"), ("due", &due), ("amount", "")])
        .await;
    sold.shows(&["Sold", "Receipt 1", "To pay", "108.00", "Cash", "108.00"]);
    let item = shop.get("/api/items/COWL").await.json();
    assert_eq!(item["onHand"], "0", "{item}");
    // The slip's own address leads to the receipt from now on; a second Done too.
    let reply = shop.get(&path).await;
    assert_eq!(reply.status, 303);
    let again = post(
        &shop,
        &format!("{path}/tender"),
        &[("_token", &paying.field("/tender", "_token")), ("by", "cash"), ("due", &due)],
    )
    .await;
    assert_eq!((again.status, again.header("location")), (303, reply.header("location")));
    assert_eq!(shop.ledger().sales(None, 10).await.expect("sales").len(), 1);
}

#[tokio::test]
async fn a_form_that_is_sent_twice_lays_one_thing_down() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let action = format!("{}/scan", page.path);
    let token = page.field(&format!("action=\"{action}\""), "_token");
    for _ in 0..3 {
        let reply = post(&shop, &action, &[("_token", &token), ("_key", "one"), ("code", "SPINDLE")]).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
    }
    open(&shop, &page.path).await.shows(&["2 at 18.00", "36.00"]);
    // A first scan that is sent again finds the slip that it started.
    let fields = [("_token", token.as_str()), ("_key", "first"), ("code", "SPINDLE")];
    let first = post(&shop, "/counter/scan", &fields).await;
    let again = post(&shop, "/counter/scan", &fields).await;
    assert_eq!(first.header("location"), again.header("location"));
    assert_eq!(shop.ledger().open_baskets(10).await.expect("slips").len(), 2);
}

#[tokio::test]
async fn a_script_gets_the_slip_alone() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let token = page.field("action", "_token");
    let reply = post(
        &shop,
        &format!("{}/scan", page.path),
        &[("_token", &token), ("code", "COWL"), ("part", "slip")],
    )
    .await;
    assert_eq!(reply.status, 200);
    let text = reply.text();
    assert!(
        text.starts_with("<section class=\"slip\"") && text.contains("66.00") && !text.contains("<html"),
        "{text}"
    );
    let wrong = post(
        &shop,
        &format!("{}/scan", page.path),
        &[("_token", &token), ("code", "COWL"), ("part", "slip")],
    )
    .await;
    assert_eq!(wrong.status, 422);
    assert!(
        wrong.text().contains("is on this slip already") && wrong.text().contains("66.00"),
        "{}",
        wrong.text()
    );
    let words = post(
        &shop,
        &format!("{}/scan", page.path),
        &[("_token", &token), ("code", "grey rov"), ("part", "slip")],
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
    page.shows(&["Latest on the shelf", "Grey roving", "Drop spindle"]);
    let found = page.send("/counter/scan", &[("code", "COWL small")]).await;
    found.shows(&["With “COWL small”", "Moor cowl, small"]);
    assert!(!found.has("Drop spindle"));
    let nothing = page.send("/counter/scan", &[("code", "unicorn")]).await;
    nothing.shows(&["Nothing that can be sold now has these words"]);
    let wrong = page.refused("/counter/scan", &[("code", "2000000000011")]).await;
    wrong.shows(&["value=\"2000000000011\"", "has a wrong digit"]);
    let unknown = page.refused("/counter/scan", &[("code", "12345")]).await;
    unknown.shows(&["no item has the code 12345"]);
}

#[tokio::test]
async fn goods_by_weight_are_asked_for_their_weight() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let scan = format!("{}/scan", page.path);
    let asked = page.asked(&scan, "ROVING").await;
    asked.shows(&["Grey roving is sold by weight, at 2.25 per oz"]);
    assert!(!asked.has("Not done yet"));
    let wrong = asked.refused(&scan, &[("code", "ROVING"), ("quantity", "two")]).await;
    wrong.shows(&["“two” is not a quantity", "Grey roving is sold by weight"]);
    let laid = wrong.send(&scan, &[("code", "ROVING"), ("quantity", "2.5")]).await;
    laid.shows(&["Grey roving", "5.63", "2.5 oz at 2.25 per oz", "23.63"]);
    let line = format!("{}/line", page.path);
    let revision = laid.field(&format!("action=\"{line}\""), "revision");
    let fields = [("revision", revision.as_str()), ("line", "2"), ("quantity", "4"), ("do", "change")];
    laid.send(&line, &fields).await.shows(&["Grey roving", "9.00"]);
}

#[tokio::test]
async fn discounts_have_a_reason_and_a_stale_slip_is_shown_again() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL", "SPINDLE"]).await;
    let line = format!("{}/line", page.path);
    let revision = page.field(&format!("action=\"{line}\""), "revision");
    let of = |more: &[(&'static str, &'static str)]| [&[("revision", "")], more].concat();
    let without = of(&[("line", "1"), ("off", "10 %"), ("do", "change")]);
    page.refused(&line, &without).await.shows(&["reason", "may not be empty"]);
    let card = of(&[("line", "1"), ("off", "10 %"), ("reason", "4111 1111 1111 1111"), ("do", "change")]);
    page.refused(&line, &card).await.shows(&["card"]);
    let fields = [
        ("revision", revision.as_str()),
        ("line", "1"),
        ("off", "10 %"),
        ("reason", "a pulled thread"),
        ("do", "change"),
    ];
    let off = page.send(&line, &fields).await;
    off.shows(&["48.00", "10 % off: a pulled thread", "−4.80", "61.20"]);
    page.refused(&line, &fields).await.shows(&["was changed at the same time"]);
    let revision = off.field(&format!("action=\"{line}\""), "revision");
    let whole = off
        .send(&line, &[("revision", &revision), ("off", "1.20"), ("reason", "friend"), ("do", "whole")])
        .await;
    whole.shows(&["1.20 off it all: friend", "60.00"]);
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
    refused.shows(&["Moor cowl: Sold online 12 seconds ago, receipt 1. Not charged.", "To pay", "18.00"]);
    let fields = [("revision", revision.as_str()), ("by", "cash"), ("without", "1")];
    assert_eq!(refused.field(&format!("action=\"{pay}\""), "without"), "1");
    refused.send(&pay, &fields).await.shows(&["Take the money", "Drop spindle", "18.00"]);
}

#[tokio::test]
async fn it_is_paid_in_parts_and_rounded_in_cash() {
    let shop = TestShop::open().await;
    let rounding =
        ledger::SetShop { key: "cash_rounding".to_owned(), value: "5 up".to_owned(), who: String::new() };
    shop.ledger().execute(None, &rounding).await.expect("set");
    let page = slip(&shop, &["SPINDLE"]).await;
    let scan = format!("{}/scan", page.path);
    let page = page.send(&scan, &[("code", "ROVING"), ("quantity", "2.5")]).await;
    page.shows(&["23.63", "In cash 23.65"]);
    let path = page.path.clone();
    let revision = page.field("/pay", "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "card")]).await;
    let (tender, due) = (format!("{path}/tender"), "23.63");
    let wrong = paying.refused(&tender, &[("by", "card"), ("due", due), ("amount", "30.00")]).await;
    wrong.shows(&["only cash gives change", "value=\"30.00\""]);
    let other = paying.refused(&tender, &[("by", "card"), ("due", "23.60"), ("amount", "")]).await;
    other.shows(&["it comes to 23.63 now"]);
    let part =
        paying.send(&tender, &[("by", "card"), ("then", "cash"), ("due", due), ("amount", "10.00")]).await;
    part.shows(&["Taken: Card", "−10.00", "13.65"]);
    let back = format!("{path}/back");
    part.shows(&["hand 10.00 back"]);
    let sold =
        part.send(&tender, &[("by", "cash"), ("then", "cash"), ("due", due), ("given", "15.00")]).await;
    sold.shows(&["Change", "1.35", "Cash rounding", "0.02", "23.65", "Card", "10.00", "Cash", "15.00"]);
    // What was sold does not go back to being a slip.
    let late = post(&shop, &back, &[("_token", &part.field(&back, "_token"))]).await;
    assert_eq!(
        (late.status, late.header("location").is_some_and(|l| l.starts_with("/counter/sales/"))),
        (303, true)
    );
}

#[tokio::test]
async fn owed_names_a_customer_and_a_day_and_is_paid_later() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let path = page.path.clone();
    let revision = page.field("/pay", "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "owed")]).await;
    let tender = format!("{path}/tender");
    paying.refused(&tender, &[("by", "owed"), ("due", "18.00"), ("customer", "Ash")]).await.shows(&["day"]);
    let fields =
        [("by", "owed"), ("due", "18.00"), ("customer", "Ash"), ("day", "2026-06-01"), ("amount", "")];
    let sold = paying.send(&tender, &fields).await;
    sold.shows(&["Owed by Ash, due 2026-06-01", "Ash owes 18.00"]);
    let list = open(&shop, "/counter/owed").await;
    list.shows(&["Ash", "2026-06-01", "18.00"]);
    let debt = shop.ledger().debts(1).await.expect("debts").remove(0);
    assert_eq!(debt.due, Day::from_number(20_260_601));
    let action = format!("/counter/owed/{}", debt.tender);
    list.refused(&action, &[("amount", "20.00"), ("by", "cash")]).await.shows(&["18.00 is still owed"]);
    list.send(&action, &[("amount", "18.00"), ("by", "cash")]).await.shows(&["Nobody owes anything"]);
}

#[tokio::test]
async fn a_slip_is_set_aside_rung_up_later_or_put_away() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL"]).await;
    let aside = format!("{}/aside", page.path);
    let revision = page.field(&format!("action=\"{aside}\""), "revision");
    page.refused(&aside, &[("revision", &revision), ("forWhom", "Ash"), ("until", "2026-05-01")])
        .await
        .shows(&["later than now"]);
    let fields = [("revision", revision.as_str()), ("forWhom", "Ash"), ("until", "2026-05-20")];
    let room = page.send(&aside, &fields).await;
    room.shows(&["Set aside for somebody", "Ash", "Moor cowl, until 21 May 2026, 00:00"]);
    let refused = room.refused("/counter/scan", &[("code", "COWL")]).await;
    refused.shows(&["Moor cowl: Set aside for Ash until 21 May 2026, 00:00. Not charged."]);
    let hold = shop.ledger().open_holds(None, 1).await.expect("holds").remove(0).id;
    let again = room.send(&format!("/counter/holds/{hold}"), &[("do", "ring")]).await;
    again.shows(&["For Ash", "Moor cowl", "48.00"]);
    let away = again.send(&format!("{}/leave", again.path), &[]).await;
    assert!(!away.has("Slips that lie open"));
    assert_eq!(shop.get(&again.path).await.header("location"), Some("/counter"));
}

#[tokio::test]
async fn a_gift_note_is_sold_on_a_slip() {
    let shop = TestShop::open().await;
    let page = open(&shop, "/counter").await;
    let laid =
        page.send("/counter/paper", &[("kind", "gift-note"), ("amount", "25.00"), ("title", "")]).await;
    laid.shows(&["Gift note", "25.00", "To pay", "25.00"]);
    let revision = laid.field("/pay", "revision");
    let paying = laid.send(&format!("{}/pay", laid.path), &[("revision", &revision), ("by", "card")]).await;
    paying.shows(&["Take the money"]);
    paying
        .send(&format!("{}/tender", laid.path), &[("by", "card"), ("due", "25.00")])
        .await
        .shows(&["Sold", "25.00"]);
}

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
    open(&shop, "/counter/sales?day=2026-05-16").await.shows(&["No sale fits"]);
    assert_eq!(shop.get("/counter/sales?day=May").await.status, 422);
    let sale = open(&shop, &format!("/counter/sales/{id}")).await;
    sale.shows(&["Receipt 2", "Moor cowl", "48.00", "Change", "2.00"]);
    let file = shop.get(&format!("/counter/sales/{id}/receipt.txt")).await;
    assert_eq!(file.header("content-disposition"), Some("attachment; filename=\"receipt-2.txt\""));
    assert!(file.text().contains("Moor cowl") && file.text().contains("Change"), "{}", file.text());
    let back = open(&shop, &format!("/counter/sales/{id}/back")).await;
    let action = format!("/counter/sales/{id}/back");
    back.refused(&action, &[("by", "cash"), ("reason", "too big"), ("do", "some")])
        .await
        .shows(&["at least one line"]);
    back.refused(&action, &[("by", "cash"), ("do", "all")]).await.shows(&["say why it comes back"]);
    let line = cowl["lines"][0]["id"].as_str().expect("a line");
    let (quantity, fate) = (format!("back.{line}"), format!("fate.{line}"));
    let fields = [
        (quantity.as_str(), "2"),
        (fate.as_str(), "shelf"),
        ("by", "cash"),
        ("reason", "too big"),
        ("do", "some"),
    ];
    back.refused(&action, &fields).await.shows(&["2 asked to be given back, 1 is left"]);
    let fields = [
        (quantity.as_str(), "1"),
        (fate.as_str(), "shelf"),
        ("by", "cash"),
        ("reason", "too big"),
        ("do", "exchange"),
    ];
    back.send(&action, &fields).await.shows(&["Latest on the shelf", "Moor cowl"]);
    open(&shop, &format!("/counter/sales/{id}")).await.shows(&[
        "1 given back",
        "48.00 on",
        "too big",
        "48.00 by cash",
    ]);
}

#[tokio::test]
async fn a_sale_of_today_is_voided_with_a_reason() {
    let shop = TestShop::open().await;
    let id = shop.sell("COWL", "a").await["id"].as_str().expect("an id").to_owned();
    let action = format!("/counter/sales/{id}/void");
    let page = open(&shop, &format!("/counter/sales/{id}")).await;
    page.refused(&action, &[("reason", "")]).await.shows(&["say why it is undone"]);
    let voided = page.send(&action, &[("reason", "wrong hat")]).await;
    voided.shows(&["Voided"]);
    assert!(!voided.has("Void it") && !voided.has("Give back or exchange"));
    page.refused(&action, &[("reason", "again")]).await.shows(&["cannot be voided"]);
    let other = shop.sell("HAT", "b").await["id"].as_str().expect("an id").to_owned();
    shop.next_day();
    assert!(!open(&shop, &format!("/counter/sales/{other}")).await.has("Void it"));
}

#[tokio::test]
async fn a_drawer_is_counted_in_kept_and_counted_out() {
    let shop = TestShop::open().await;
    let page = open(&shop, "/counter/drawer").await;
    page.shows(&["Count the float in", "100.00", "0.01"]);
    page.refused("/counter/drawer", &[("channel", "store"), ("count.2000", "two")])
        .await
        .shows(&["of 20.00: “two” is not a whole number", "value=\"two\""]);
    let kept =
        page.send("/counter/drawer", &[("channel", "store"), ("count.2000", "2"), ("count.25", "4")]).await;
    kept.shows(&["Float counted in", "41.00", "Should be there", "41.00"]);
    shop.sell("SPINDLE", "a").await;
    let turn = shop.ledger().open_turns().await.expect("turns").remove(0).id;
    let cash = format!("/counter/drawer/{turn}/cash");
    kept.refused(&cash, &[("amount", "5.00"), ("reason", ""), ("do", "take-out")]).await.shows(&["reason"]);
    kept.refused(&cash, &[("amount", "500.00"), ("reason", "bank"), ("do", "take-out")])
        .await
        .shows(&["only 59.00 should be in the drawer"]);
    let out = kept.send(&cash, &[("amount", "9.00"), ("reason", "stamps"), ("do", "take-out")]).await;
    out.shows(&["Taken out: stamps", "-9.00", "Sale", "18.00", "Should be there", "50.00"]);
    let close = format!("/counter/drawer/{turn}/close");
    let ended =
        out.send(&close, &[("count.2000", "2"), ("count.500", "1"), ("note", "a coin rolled away")]).await;
    ended.shows(&[
        "Should be there",
        "50.00",
        "Counted out",
        "45.00",
        "5.00 short",
        "a coin rolled away",
        "20.00",
        "2",
    ]);
    open(&shop, "/counter/drawer").await.shows(&["Count the float in", "Turns before", "5.00 short"]);
}

/// What an open line says next; none if it ended.
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
        let request = request.header("authorization", shop.bearer());
        request.body(Body::empty()).expect("a request")
    };
    let listen =
        async || crate::routes::router(shop.app.clone()).oneshot(request()).await.expect("never fails");
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
    // Told to stop, the program ends the line; a line more than there may be is refused.
    let places = shop.app.watchers.clone().acquire_many_owned(63).await.expect("places");
    assert_eq!(listen().await.status(), 503);
    shop.app.ending.send_replace(true);
    assert!(heard(&mut body).await.is_none());
    drop(places);
    assert_eq!(shop.get("/counter/7/events").await.status, 404);
}
