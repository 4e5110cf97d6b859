//! What a clerk may not do alone, another person lets happen: with forms only.

use super::open as page_of;
use crate::pages::sign_in::tests::{PASSWORD, person};
use crate::testing::browser::Browser;
use crate::testing::{Reply, TestShop};
use axum::http::Method;
use domain::ids::PersonId;
use domain::people::Role;
use ledger::people::Activity;
use serde_json::json;

const PIN: &str = "407138";

/// A shop with an owner and a clerk, and the clerk's browser on a registered device if they asked for one.
async fn counter(on_device: bool) -> (TestShop, Browser, PersonId) {
    let shop = TestShop::open().await;
    let maud = person(&shop, "Maud", Role::Owner, Some(PIN)).await;
    person(&shop, "Ash", Role::Counter, Some("5083")).await;
    person(&shop, "Bo", Role::Counter, Some("6194")).await;
    let mut browser = Browser::new(&shop);
    if on_device {
        browser.sign_in("Maud", PASSWORD).await;
        browser.get("/settings/people").await;
        assert_eq!(browser.post("/settings/devices", &[("name", "Tablet")]).await.status, 303);
        browser.post("/sign-out", &[]).await;
    }
    browser.sign_in("Ash", PASSWORD).await;
    (shop, browser, maud)
}

/// A sale with one cowl, and the discount that is refused for it.
async fn refused(browser: &mut Browser, off: &str) -> (String, Reply) {
    browser.get("/counter").await;
    let scanned = browser.post("/counter/scan", &[("channel", "store"), ("code", "COWL")]).await;
    let sale = scanned.header("location").expect("a sale").to_owned();
    browser.get(&sale).await;
    let fields = [("do", "change"), ("line", "1"), ("off", off), ("reason", "moth & <hole>")];
    let reply = browser.post(&format!("{sale}/line"), &fields).await;
    assert_eq!(reply.status, 422, "{}", reply.text());
    (sale, reply)
}

fn unescaped(text: &str) -> String {
    text.replace("&#60;", "<").replace("&#62;", ">").replace("&#34;", "\"").replace("&#38;", "&")
}

/// The hidden fields of the form that asks somebody else, and where it goes; none if there is none.
fn asking(page: &str) -> Option<(String, Vec<(String, String)>)> {
    let end = page.find("aria-labelledby=\"approve-name\"")?;
    let start = page[..end].rfind("<form").expect("its form");
    let form = page[start..].split("</form>").next().expect("its end");
    let action = form.split("action=\"").nth(1)?.split('"').next()?.to_owned();
    let fields = form.split("<input type=\"hidden\" name=\"").skip(1).map(|rest| {
        let (name, rest) = rest.split_once("\" value=\"").expect("a value");
        (name.to_owned(), unescaped(rest.split('"').next().unwrap_or_default()))
    });
    Some((action, fields.filter(|(name, _)| name != "_seal").collect()))
}

/// Sends it with a person and their secret.
async fn ask(browser: &mut Browser, page: &str, approver: PersonId, secret: &str) -> Reply {
    let (action, fields) = asking(page).expect("the form");
    let approver = approver.to_string();
    let mut all: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect();
    all.extend([("_approver", approver.as_str()), ("_approval", secret)]);
    browser.post(&action, &all).await
}

#[tokio::test]
async fn an_owner_s_password_lets_the_same_form_go_on() {
    let (shop, mut browser, maud) = counter(false).await;
    let (sale, page) = refused(&mut browser, "40%").await;
    assert!(
        page.text().contains("a discount of 40%") && page.text().contains(">Maud</option>"),
        "{}",
        page.text()
    );
    assert!(
        !page.text().contains(">Bo</option>") && !page.text().contains(">Ash</option>"),
        "{}",
        page.text()
    );
    let wrong = ask(&mut browser, page.text(), maud, "three wrong words").await;
    assert_eq!(wrong.status, 422);
    assert!(
        wrong.text().contains("password or code is incorrect") && !wrong.text().contains("three wrong words")
    );
    // A PIN is one only on a registered device.
    let pin = ask(&mut browser, wrong.text(), maud, PIN).await;
    assert_eq!(pin.status, 422, "{}", pin.text());
    let done = ask(&mut browser, pin.text(), maud, PASSWORD).await;
    assert_eq!((done.status, done.header("location")), (303, Some(sale.as_str())), "{}", done.text());
    let slip = browser.get(&sale).await;
    assert!(slip.text().contains("40% discount: moth &#38; &#60;hole&#62;"), "{}", slip.text());
    // The clerk is who they were, and the sale goes on without asking again.
    assert_eq!(browser.get("/settings").await.status, 403);
    let revision = super::OpenPage { shop: &shop, path: String::new(), page: slip.text().to_owned() }
        .field(&format!("action=\"{sale}/pay\""), "revision");
    let held = browser.post(&format!("{sale}/pay"), &[("revision", &revision), ("by", "cash")]).await;
    assert_eq!(held.status, 303, "{}", held.text());
    let log = shop.ledger().activity(None, 1).await.expect("a log").remove(0);
    assert_eq!((log.who.as_str(), log.act, log.what.as_str()), ("Maud", Activity::Approved, "Ash"));
}

#[tokio::test]
async fn on_a_registered_device_a_pin_is_enough() {
    let (_, mut browser, maud) = counter(true).await;
    let (sale, page) = refused(&mut browser, "40%").await;
    assert!(page.text().contains("Their PIN or password"), "{}", page.text());
    let done = ask(&mut browser, page.text(), maud, PIN).await;
    assert_eq!((done.status, done.header("location")), (303, Some(sale.as_str())), "{}", done.text());
}

#[tokio::test]
async fn an_approval_is_for_what_was_shown_and_by_somebody_who_may() {
    let (shop, mut browser, maud) = counter(false).await;
    let bo = shop
        .ledger()
        .people()
        .await
        .expect("people")
        .into_iter()
        .find(|one| one.name == "Bo")
        .expect("Bo")
        .id;
    let (_, page) = refused(&mut browser, "40%").await;
    assert_eq!(ask(&mut browser, page.text(), bo, PASSWORD).await.status, 422, "a clerk like Ash");
    // Changed on the way: the page showed 40%, and 90% is sent.
    let (action, mut fields) = asking(page.text()).expect("the form");
    fields.iter_mut().filter(|(name, _)| name == "off").for_each(|(_, off)| *off = "90%".to_owned());
    let approver = maud.to_string();
    let mut all: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect();
    all.extend([("_approver", approver.as_str()), ("_approval", PASSWORD)]);
    let reply = browser.post(&action, &all).await;
    assert_eq!(reply.status, 422);
    assert!(reply.text().contains("a discount of 90%"), "{}", reply.text());
}

#[tokio::test]
async fn wrong_tries_make_the_asker_wait_and_nobody_else() {
    let (shop, mut browser, maud) = counter(true).await;
    let (_, mut page) = refused(&mut browser, "40%").await;
    for _ in 0..5 {
        page = ask(&mut browser, page.text(), maud, "135790").await;
        assert_eq!(page.status, 422);
    }
    let late = ask(&mut browser, page.text(), maud, PIN).await;
    assert_eq!(late.status, 422, "even the right one waits");
    assert!(!late.text().contains("is incorrect"), "{}", late.text());
    // Ten more, with waits, and Maud's PIN opens as before.
    for wait in 0..10 {
        shop.advance_millis(1000 << wait);
        page = ask(&mut browser, late.text(), maud, "135790").await;
        assert_eq!(page.status, 422);
    }
    browser.post("/sign-out", &[]).await;
    browser.get("/sign-in").await;
    let maud = maud.to_string();
    let entered = browser.post("/sign-in", &[("person", maud.as_str()), ("pin", PIN)]).await;
    assert_eq!(entered.status, 303, "{}", entered.text());
}

#[tokio::test]
async fn a_refund_in_cash_of_a_sale_by_card_asks_and_goes_on() {
    let (shop, mut browser, maud) = counter(false).await;
    let sold = shop
        .post(
            "/api/sales",
            "k",
            json!({"channel": "store", "lines": [{"sku": "COWL", "quantity": "1"}],
            "tenders": [{"kind": "card", "amount": "48.00"}]}),
        )
        .await;
    let sale = sold.json()["id"].as_str().expect("an id").to_owned();
    let path = format!("/counter/sales/{sale}/refund");
    let page = browser.get(&path).await;
    let card = page.text().find("value=\"card\"").expect("by card");
    assert!(card < page.text().find("value=\"cash\"").expect("by cash"), "as it was paid comes first");
    let fields = [("do", "all"), ("reason", "too small"), ("by", "cash")];
    let refused = browser.post(&path, &fields).await;
    assert_eq!(refused.status, 422);
    assert!(
        refused.text().contains("$48.00 by cash, and this sale is refunded by card first"),
        "{}",
        refused.text()
    );
    let done = ask(&mut browser, refused.text(), maud, PASSWORD).await;
    assert_eq!(done.status, 303, "{}", done.text());
    let view = shop.ledger().sale(sale.parse().expect("an id")).await.expect("a sale");
    assert_eq!((view.refunds.len(), view.refunds[0].reason.as_str()), (1, "too small"));
}

#[tokio::test]
async fn a_hold_above_the_limit_asks_on_the_item_s_page_too() {
    let (shop, mut browser, maud) = counter(false).await;
    browser.get("/shelf/items/COWL").await;
    let fields = [("for_whom", "Ada"), ("hold_quantity", "1"), ("until", "2027-05-01")];
    let refused = browser.post("/shelf/items/COWL/hold", &fields).await;
    assert_eq!(refused.status, 422, "{}", refused.text());
    let done = ask(&mut browser, refused.text(), maud, PASSWORD).await;
    assert_eq!(done.status, 303, "{}", done.text());
    assert_eq!(shop.ledger().open_holds(None, 9).await.expect("holds").len(), 1);
}

#[tokio::test]
async fn a_program_cannot_be_approved() {
    let shop = TestShop::open().await;
    let maud = person(&shop, "Maud", Role::Owner, None).await.to_string();
    let program = shop.as_role(Role::Counter);
    let sale = |more: serde_json::Value| {
        let mut body = json!({"channel": "store", "discount": "40.00",
            "lines": [{"sku": "COWL", "quantity": "1"}], "tenders": [{"kind": "cash", "amount": "8.00"}]});
        body.as_object_mut().expect("an object").extend(more.as_object().expect("an object").clone());
        body
    };
    program.post("/api/sales", "1", sale(json!({}))).await.expect_problem("above-your-limit", 403);
    let asked = json!({"_approver": maud, "_approval": PASSWORD, "_act": "discount", "_asked": "83.33"});
    let reply = program.post("/api/sales", "2", sale(asked)).await;
    assert!(reply.status == 400 || reply.status == 422, "{}", reply.text());
    // Nor with the form of a page, whose small form it is not shown.
    let page = page_of(&program, "/counter").await;
    let sale = page.send("/counter/scan", &[("channel", "store"), ("code", "COWL")]).await;
    let off = [
        ("do", "change"),
        ("line", "1"),
        ("off", "40%"),
        ("reason", "x"),
        ("_approver", maud.as_str()),
        ("_approval", PASSWORD),
        ("_act", "discount"),
        ("_asked", "40"),
    ];
    let refused = sale.refused(&format!("{}/line", sale.path), &off).await;
    assert!(asking(&refused.page).is_none());
    assert_eq!(program.ask(Method::POST, "/api/approvals", &[], axum::body::Body::empty()).await.status, 404);
}
